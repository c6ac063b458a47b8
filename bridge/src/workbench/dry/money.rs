//! Power that is used while sending it out pays more than buying it later costs, by the home's own tariff.

use std::collections::BTreeMap;

use overspill_rules::home::{Home, LoadId};
use overspill_rules::output::{Asked, Decision};
use overspill_rules::script::NEED_TAKES_SPARE;
use overspill_rules::tariff::{Prices, Side, Tariff};
use overspill_rules::time::{Span, WallTime};
use rust_decimal::Decimal;

use super::DryWarning;
use crate::workbench::moments;
use crate::workbench::story::Story;

/// What could be bought later instead is looked for in so long.
const LATER: Span = Span::hours(24);

/// Tariffs change on the half hour, or at a time of day in whole quarters.
const LOOK_EVERY: Span = Span::minutes(15);

/// Spare power that was taken, and what that cost.
struct Taken {
    at: Span,
    pays: Decimal,
    later: Decimal,
    later_at: WallTime,
}

/// Rules that take spare power while sending it out pays more. Prices of a list are not looked at: the made-up ones are
/// not the home's own. A need has weighed the cost by itself.
pub(super) fn sold_dearer(home: &Home, start: WallTime, story: &Story) -> Vec<DryWarning> {
    let Some(tariff) = &home.tariff else { return Vec::new() };
    if tariff.is_listed(Side::Import) || tariff.is_listed(Side::Export) {
        return Vec::new();
    }
    let mut worst: BTreeMap<(&str, LoadId), Taken> = BTreeMap::new();
    for (at, decision) in &story.decisions {
        let Some(rule) = taker(decision).filter(|_| !home.load(decision.load).own_sun_first) else {
            continue;
        };
        let Some(taken) = weighed(tariff, *at, start) else { continue };
        let known = worst.get(&(rule, decision.load));
        if known.is_none_or(|k| taken.pays - taken.later > k.pays - k.later) {
            worst.insert((rule, decision.load), taken);
        }
    }
    worst.iter().map(|((rule, load), taken)| told(home, start, rule, *load, taken)).collect()
}

/// The rule whose wish for spare power is met by this decision.
fn taker(decision: &Decision) -> Option<&str> {
    let rule = decision.rule.as_deref()?;
    let wish = |asked: &&Asked| asked.rule == rule && asked.load == decision.load;
    let asked = decision.requests.iter().find(wish)?;
    let takes = decision.on && decision.setpoint_w > 0.0 && asked.request.is_spare();
    (takes && !asked.reason.contains(NEED_TAKES_SPARE)).then_some(rule)
}

/// What sending out pays and what buying it costs at the cheapest later time; `None` where sending out pays no more.
fn weighed(tariff: &Tariff, at: Span, start: WallTime) -> Option<Taken> {
    let (now, none) = (start + at, Prices::default());
    let pays = tariff.export_at(now, &none)?;
    let times = (0..LATER.0 / LOOK_EVERY.0).map(|n| WallTime((now.0 / LOOK_EVERY.0 + n) * LOOK_EVERY.0));
    let priced = times.filter_map(|t| Some((tariff.import_at(t, &none)?, t)));
    let (later, later_at) = priced.min()?;
    (pays > later).then_some(Taken { at, pays, later, later_at })
}

fn told(home: &Home, start: WallTime, rule: &str, load: LoadId, taken: &Taken) -> DryWarning {
    let clock = |at: Span| moments::shown(at, start, &home.timezone);
    let currency = home.tariff.as_ref().map_or("", |t| t.currency.as_str());
    let load = &home.load(load).id;
    DryWarning {
        code: "export-pays-more",
        message: format!(
            "rule `{rule}` puts spare power into `{load}` at {}, where sending it out pays {} {currency}; bought at {} it \
             costs {} {currency}",
            clock(taken.at),
            taken.pays.normalize(),
            clock(taken.later_at - start),
            taken.later.normalize(),
        ),
        help: format!(
            "ask for what `{load}` must have with `need_kwh`, which weighs both prices, or take spare power only while \
             `home.price.export_now` is below what it saves; where the household wants its own sun in it all the same, \
             write own_sun_first = true in [load.{load}]"
        ),
    }
}
