//! `need_kwh`: so much energy by a time, met in order of cost.

use std::collections::BTreeMap;

use rhai::{Engine, Map};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::engine::{Answer, number};
use super::explain::type_word;
use super::load_object::LoadObject;
use super::nearest::suggest;
use crate::home::LoadId;
use crate::limits;
use crate::request::{Request, SpareTerms};
use crate::tariff::{Does, Need, Plan};
use crate::time::WallTime;

/// In the reason of every request by which a need takes spare power: what that costs has been weighed.
pub const NEED_TAKES_SPARE: &str = ", spare power first";

/// The keys of the options of `need_kwh`.
pub(super) const OPTIONS: [&str; 3] = ["efficiency", "own_sun_first", "since"];

/// Needs by load id.
pub(super) type Needs = BTreeMap<String, NeedState>;

/// What is remembered of a need from its beginning to its deadline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct NeedState {
    /// The load's energy when it began, in kilowatt-hours of its log.
    from_kwh: f64,
    /// When it must be met.
    deadline: WallTime,
    /// The end of the half hour that was begun.
    run_until: Option<WallTime>,
    /// What the load was seen to take at full power, in watts, where that is less than its ceiling.
    seen_w: Option<f64>,
    /// It was told that it can't be met.
    told: bool,
    /// It was told that nothing is plugged in; that it can't be met is more, and told as well.
    #[serde(default)]
    told_unplugged: bool,
}

/// How a need is to be met.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Options<'m> {
    /// The share of what is drawn at the socket that arrives where it is counted.
    efficiency: f64,
    own_sun_first: bool,
    /// Energy counts since the clock last showed this; else since the need began.
    since: Option<&'m str>,
}

/// Why a need may not be met, in words.
enum Trouble {
    /// It will not unless somebody plugs in.
    Unplugged(String),
    /// It will not.
    Short(String),
}

impl Trouble {
    fn text(self) -> String {
        match self {
            Trouble::Unplugged(text) | Trouble::Short(text) => text,
        }
    }
}

impl NeedState {
    fn has_told(&self, trouble: &Trouble) -> bool {
        match trouble {
            Trouble::Unplugged(_) => self.told_unplugged,
            Trouble::Short(_) => self.told,
        }
    }
}

const PLAIN: Options<'static> = Options { efficiency: 1.0, own_sun_first: false, since: None };

/// What a rule asks for.
struct Wanted<'w> {
    kwh: f64,
    by: &'w str,
    why: &'w str,
}

/// Registers the ways to call it.
pub(super) fn register(engine: &mut Engine) {
    engine.register_fn("need_kwh", |load: &mut LoadObject, kwh: f64, by: &str, why: &str| {
        load.need(&Wanted { kwh, by, why }, PLAIN)
    });
    engine.register_fn("need_kwh", |load: &mut LoadObject, kwh: i64, by: &str, why: &str| {
        load.need(&Wanted { kwh: kwh as f64, by, why }, PLAIN)
    });
    engine.register_fn("need_kwh", |load: &mut LoadObject, kwh: f64, by: &str, map: Map, why: &str| {
        load.need_with(&Wanted { kwh, by, why }, &map)
    });
    engine.register_fn("need_kwh", |load: &mut LoadObject, kwh: i64, by: &str, map: Map, why: &str| {
        load.need_with(&Wanted { kwh: kwh as f64, by, why }, &map)
    });
}

impl LoadObject {
    fn need_with(&mut self, wanted: &Wanted<'_>, map: &Map) -> Answer<bool> {
        let since = map.get("since").and_then(|v| v.clone().into_immutable_string().ok());
        match options(map, since.as_deref()) {
            Ok(options) => self.need(wanted, options),
            Err((message, help)) => self.evaluation.fail(message, help),
        }
    }

    /// Asks for what the plan says; whether the need is met.
    fn need(&mut self, wanted: &Wanted<'_>, options: Options<'_>) -> Answer<bool> {
        if !(0.0..=limits::NEED_KWH_AT_MOST).contains(&wanted.kwh) {
            let most = limits::NEED_KWH_AT_MOST;
            return self
                .evaluation
                .fail(format!("`need_kwh` takes 0 to {most} kWh, not {}", wanted.kwh), None);
        }
        let (deadline, now) = (self.evaluation.next_time(wanted.by)?, self.evaluation.wall()?);
        let mut state = self.need_state(now, deadline)?;
        let done_kwh = match options.since {
            Some(since) => self.energy_since(since)?,
            None => (self.view()?.energy_kwh - state.from_kwh).max(0.0),
        };
        state.seen_w = self.seen_w(state.seen_w)?;
        let need = Need {
            now,
            deadline,
            left_kwh: wanted.kwh / options.efficiency - done_kwh,
            rate_w: self.rate_w(state.seen_w)?,
            tariff: self.evaluation.home.tariff.as_ref(),
            prices: &self.evaluation.view.prices,
            own_sun_first: options.own_sun_first,
            run_until: state.run_until,
        };
        let plan = need.plan();
        let trouble = self.trouble(wanted, &need, &plan)?.filter(|trouble| !state.has_told(trouble));
        self.evaluation.wake_at(Some(plan.next));
        self.ask_for(wanted, &plan.does)?;
        state.run_until = match plan.does {
            Does::RunCheaply { until, .. } => Some(until),
            _ => None,
        };
        state.told |= matches!(trouble, Some(Trouble::Short(_)));
        state.told_unplugged |= matches!(trouble, Some(Trouble::Unplugged(_)));
        let (load, id) = (self.load, self.described()?.id.clone());
        let mut trace = self.evaluation.trace();
        trace.troubles.extend(trouble.map(|trouble| (load, trouble.text())));
        trace.needs.insert(id, state);
        Ok(plan.does == Does::Met)
    }

    /// The need as it was remembered; a new one where its time is over, or where the log of energy began afresh.
    fn need_state(&self, now: WallTime, deadline: WallTime) -> Answer<NeedState> {
        let energy_kwh = self.view()?.energy_kwh;
        let before = self.evaluation.trace().needs_before.get(&self.described()?.id).copied();
        let goes_on = before.filter(|s| s.deadline > now && s.from_kwh <= energy_kwh);
        let seen_w = before.and_then(|s| s.seen_w);
        let new = NeedState {
            from_kwh: energy_kwh,
            deadline,
            run_until: None,
            seen_w,
            told: false,
            told_unplugged: false,
        };
        Ok(match goes_on {
            // A changed deadline is another chance to be in time.
            Some(state) if state.deadline == deadline => state,
            Some(state) => NeedState { told: false, told_unplugged: false, deadline, ..state },
            None => new,
        })
    }

    /// A car may take less than its charge point offers: what it was seen to take, to whole 100 W.
    fn seen_w(&self, before: Option<f64>) -> Answer<Option<f64>> {
        let (view, ceiling_w) = (self.view()?, self.ceiling_w()?);
        let full = view.on && view.setpoint_w >= ceiling_w * 0.95 && view.since >= limits::NEED_LOOK_AFTER;
        let draw_w = view.draw_w.filter(|w| full && *w >= limits::TELLING_STEP_W);
        let seen_w = draw_w.map(|w| (w / 100.0).floor() * 100.0);
        Ok(seen_w.map(|w| w.min(ceiling_w)).or(before))
    }

    fn ceiling_w(&self) -> Answer<f64> {
        Ok(self.described()?.ceiling_w(self.evaluation.home.supply.volts))
    }

    fn rate_w(&self, seen_w: Option<f64>) -> Answer<f64> {
        let ceiling_w = self.ceiling_w()?;
        Ok(seen_w.map_or(ceiling_w, |w| w.min(ceiling_w)).max(1.0))
    }

    /// Why the need can't be met.
    fn trouble(&self, wanted: &Wanted<'_>, need: &Need<'_>, plan: &Plan) -> Answer<Option<Trouble>> {
        let name = &self.described()?.name;
        let what = format!("{name}: {} kWh by {}", wanted.kwh, wanted.by);
        if plan.does == Does::Met {
            return Ok(None);
        }
        if plan.short_kwh > 0.0 {
            let possible_kwh = need.left_kwh - plan.short_kwh;
            return Ok(Some(Trouble::Short(format!(
                "{what} can't be met any more: of {:.1} kWh that are left at most {possible_kwh:.1} can come by then, \
                 at {:.1} kW",
                need.left_kwh,
                need.rate_w / 1000.0
            ))));
        }
        let unplugged = self.view()?.plugged == Some(false);
        if unplugged && plan.latest_start - need.now <= limits::NEED_WARN_BEFORE {
            let start = self.shown(plan.latest_start);
            let text = format!("{what} needs a start by {start}, and nothing is plugged in");
            return Ok(Some(Trouble::Unplugged(text)));
        }
        Ok(None)
    }

    fn shown(&self, at: WallTime) -> String {
        let local = at.in_zone(&self.evaluation.view.zone);
        local.map_or_else(String::new, |at| format!("{:02}:{:02}", at.hour(), at.minute()))
    }

    fn ask_for(&mut self, wanted: &Wanted<'_>, does: &Does) -> Answer<()> {
        let what = format!("{}: {} kWh by {}", wanted.why.trim(), wanted.kwh, wanted.by);
        let earlier = self.asked_before();
        match does {
            Does::Met => Ok(()),
            Does::RunCheaply { price, .. } => {
                let price = price.map_or_else(String::new, |p| format!(" at {}", self.money(p)));
                self.ask(Request::Run, &format!("{what}, in the cheapest time{price}"))
            }
            Does::RunAtLast => self.ask(Request::Run, &format!("{what}, the latest time to start")),
            // The rule's own terms stand.
            Does::TakeSpare { .. } if earlier.is_some_and(|request| request.is_spare()) => Ok(()),
            Does::TakeSpare { spare, dearest } => {
                let cost = self.spare_in_words(*spare, *dearest);
                self.ask(
                    Request::TakeSpare(SpareTerms::default()),
                    &format!("{what}{NEED_TAKES_SPARE}{cost}"),
                )
            }
            Does::Wait { .. } if earlier.is_some() => Ok(()),
            Does::Wait { until, price, spare } => {
                let (price, spare) = (self.money(*price), self.money(*spare));
                let until = self.shown(*until);
                self.ask(
                    Request::Stop,
                    &format!("{what}, waits for {until} and {price}; spare power costs {spare}"),
                )
            }
        }
    }

    fn asked_before(&self) -> Option<Request> {
        let trace = self.evaluation.trace();
        trace.requests.iter().find(|(load, ..)| *load == self.load).map(|(_, request, _)| *request)
    }

    /// What a spare kilowatt-hour costs beside the dearest planned one, so that a preference shows its price.
    fn spare_in_words(&self, spare: Option<Decimal>, dearest: Option<Decimal>) -> String {
        match (spare, dearest) {
            (Some(spare), Some(dearest)) => {
                format!(" at {} where else {}", self.money(spare), self.money(dearest))
            }
            _ => String::new(),
        }
    }

    fn money(&self, price: Decimal) -> String {
        let currency = self.evaluation.home.tariff.as_ref().map_or("", |t| t.currency.as_str());
        format!("{} {currency} a kWh", price.normalize())
    }
}

type Refused = (String, Option<String>);

fn options<'m>(map: &Map, since: Option<&'m str>) -> Result<Options<'m>, Refused> {
    let mut options = Options { since, ..PLAIN };
    for (key, value) in map {
        let wrong =
            |wanted: &str| (format!("`{key}` must be {wanted}, not {}", type_word(value.type_name())), None);
        match key.as_str() {
            "efficiency" => {
                let efficiency = number(value).ok_or_else(|| wrong("a number from 0.5 to 1"))?;
                if !(0.5..=1.0).contains(&efficiency) {
                    return Err((format!("`efficiency` is from 0.5 to 1, not {efficiency}"), None));
                }
                options.efficiency = efficiency;
            }
            "own_sun_first" => options.own_sun_first = value.as_bool().map_err(|_| wrong("true or false"))?,
            "since" if since.is_some() => {}
            "since" => return Err(wrong("a time of day")),
            _ => return Err((format!("`need_kwh` has no option `{key}`"), suggest(key, OPTIONS))),
        }
    }
    Ok(options)
}

/// What could not be met, by load, in words.
pub(super) type Troubles = Vec<(LoadId, String)>;
