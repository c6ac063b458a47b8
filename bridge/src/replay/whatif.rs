//! What would have happened, read from the journal.

use std::sync::Arc;

use overspill_rules::home::{Home, LoadId};
use overspill_rules::input::RuleSet;
use overspill_rules::time::WallTime;
use overspill_rules::whatif::{Account, Assumptions, WhatIf};

use super::Progress;
use super::given::{Given, Plugs};
use super::prices::PriceLists;
use crate::config::PriceFile;
use crate::store::{StoreError, StoreReader};

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// The whole span.
    pub whole: Account,
    /// Each local day with its date; an interval across midnight counts for the later day.
    pub days: Vec<(String, Account)>,
    /// What was assumed, in sentences.
    pub assumed: Vec<String>,
    /// Inputs of the journal that this home does not know.
    pub unknown: u64,
    /// Decisions taken.
    pub decisions: u64,
}

/// What to try on the record.
#[derive(Debug, Clone, Default)]
pub struct Trial<'a> {
    /// The rules.
    pub rules: RuleSet,
    /// What is said about the loads, in place of what was recorded.
    pub given: Given,
    /// Files of prices, for times of which the journal has none.
    pub price_files: &'a [PriceFile],
}

/// Drives the span as `trial` says.
///
/// # Errors
/// When the journal can't be read.
pub fn what_if(
    journal: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
    trial: Trial<'_>,
) -> Result<Told, StoreError> {
    let Trial { rules, given, price_files } = trial;
    let (from, to) = within(journal, span)?;
    let (home, slower) = super::imported::as_imported(journal, home, (from, to))?;
    let home = &home;
    let (needs, mut assumed) = super::needs::needs(journal, home, (from, to), &given)?;
    assumed.extend(slower);
    let run = journal.runs()?.into_iter().rfind(|r| r.began.is_some_and(|b| b <= from));
    let standing = run.as_ref().map(|run| journal.standing(home, run, from)).transpose()?;
    let kept = run.and_then(|r| r.kept).unwrap_or_default();
    let named = kept.ratios.iter().filter_map(|(load, ratio)| Some((home.load_named(load)?, *ratio)));
    let assumptions = Assumptions { needs, ratios: named.collect() };
    assumed.extend(unmetered(home));
    assumed.extend(not_additive(home));
    let home = Arc::new(home.clone());
    let mut what_if = WhatIf::new(&home, rules, kept, &assumptions, from);
    let mut plugs = Plugs::new(&given, &home.timezone, (from, to));
    let standing = standing.iter().flatten().filter(|input| !plugs.overrule(input));
    standing.for_each(|input| what_if.input(from, input));
    let mut prices = PriceLists::new(journal, price_files, (from, to))?;
    let mut setpoints = recorded_setpoints(journal, &home, &mut what_if, (from, to))?.into_iter().peekable();
    let mut days = Days::new(&home, from);
    let (mut unknown, mut progress) = (0, Progress::new(from, to));
    super::imported::in_order(journal, &home, (from, to), |journalled| {
        let Some(at) = journalled.stamp.wall else { return };
        progress.at(at);
        while let Some((when, load, watts)) = setpoints.next_if(|(when, ..)| *when <= at) {
            what_if.recorded_setpoint(when, load, watts);
        }
        plugs.news(at).iter().for_each(|(when, input)| what_if.input(*when, input));
        days.at(at, &what_if);
        prices.news(at).iter().for_each(|input| what_if.input(at, input));
        match journalled.input {
            Ok(input) if plugs.overrule(&input) => {}
            Ok(input) => what_if.input(at, &input),
            Err(_) => unknown += 1,
        }
    })?;
    what_if.end(to);
    assumed.extend(prices.told());
    assumed.extend(throttled(&home, &what_if.account()));
    let days = days.end(&what_if);
    Ok(Told { whole: what_if.account(), days, assumed, unknown, decisions: what_if.decisions() })
}

/// Before the first and after the last entry there is nothing to replay.
fn within(
    journal: &StoreReader,
    (from, to): (WallTime, WallTime),
) -> Result<(WallTime, WallTime), StoreError> {
    let Some(extent) = journal.extent()? else { return Ok((from, from)) };
    let from = from.max(extent.first);
    Ok((from, to.min(WallTime(extent.last.0 + 1)).max(from)))
}

fn recorded_setpoints(
    journal: &StoreReader,
    home: &Home,
    what_if: &mut WhatIf,
    (from, to): (WallTime, WallTime),
) -> Result<Vec<(WallTime, LoadId, f64)>, StoreError> {
    let mut all = Vec::new();
    for (i, load) in home.loads.iter().enumerate() {
        let id = LoadId(i as u16);
        if let Some(standing) = journal.last_decision(&load.id, Some(from))? {
            what_if.stood_at(id, standing.setpoint_w);
        }
        all.extend(journal.setpoints(&load.id, from, to)?.into_iter().map(|row| (row.at, id, row.watts)));
    }
    all.sort_by_key(|(at, load, _)| (*at, *load));
    Ok(all)
}

fn unmetered(home: &Home) -> Vec<String> {
    let loads = home.loads.iter().enumerate().filter(|(i, _)| home.meter_of(LoadId(*i as u16)).is_none());
    let told = loads.map(|(_, load)| {
        format!(
            "{} has no meter: what it drew is estimated, by its set-point and the ratio learnt of it.",
            load.id
        )
    });
    told.collect()
}

/// Where the grid's answer is not simply that of the loads.
fn not_additive(home: &Home) -> Option<String> {
    home.battery.is_some().then(|| {
        "The battery is not modelled: its power is taken as it was recorded. A battery that holds the grid at zero \
         would have answered the loads first, so import, export and cost lie somewhere between the recorded and the \
         replayed figures."
            .to_owned()
    })
}

/// A throttled roof would have answered a load with more sun.
fn throttled(home: &Home, account: &Account) -> Option<String> {
    let limit_w = home.supply.export_limit_w?;
    let hours = account.at_limit_ms as f64 / 3.6e6;
    (account.at_limit_ms > 0).then(|| {
        format!(
            "Export stood at its limit of {limit_w} W for {hours:.1} hours. The roof could have given more then than the \
             record shows, so loads could have had more sun than this says, and bought less."
        )
    })
}

/// The books by local day.
struct Days {
    zone: jiff::tz::TimeZone,
    date: Option<jiff::civil::Date>,
    next: WallTime,
    before: Account,
    done: Vec<(String, Account)>,
}

impl Days {
    fn new(home: &Home, from: WallTime) -> Days {
        let mut days = Days {
            zone: home.timezone.clone(),
            date: None,
            next: from,
            before: Account::default(),
            done: Vec::new(),
        };
        days.begin(from);
        days
    }

    fn begin(&mut self, at: WallTime) {
        self.date = at.in_zone(&self.zone).map(|z| z.date());
        let tomorrow = self.date.and_then(|d| d.tomorrow().ok()?.to_zoned(self.zone.clone()).ok());
        self.next = tomorrow.map_or(WallTime(i64::MAX), |z| WallTime(z.timestamp().as_millisecond()));
    }

    fn at(&mut self, at: WallTime, what_if: &WhatIf) {
        if at >= self.next {
            self.close(what_if);
            self.begin(at);
        }
    }

    fn close(&mut self, what_if: &WhatIf) {
        let now = what_if.account();
        if let Some(date) = self.date {
            self.done.push((date.to_string(), now.since(&self.before)));
        }
        self.before = now;
    }

    fn end(mut self, what_if: &WhatIf) -> Vec<(String, Account)> {
        self.close(what_if);
        self.done
    }
}
