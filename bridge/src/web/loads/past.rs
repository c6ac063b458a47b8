//! What a load did: today's energy and run time, and its decisions, each with what led to it.

use overspill_rules::home::{Home, Load, LoadId, Takes};
use overspill_rules::output::Seen;
use overspill_rules::time::{Span, WallTime};
use serde::Serialize;
use utoipa::ToSchema;

use crate::store::{DecisionRow, StoreError, StoreReader};
use crate::web::speech;
use crate::words;

/// Decisions on one page.
pub(crate) const ON_A_PAGE: usize = 25;

/// What a load took today.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Today {
    /// Energy since the day began, in kilowatt-hours.
    pub(crate) energy_kwh: f64,
    /// How long it has been on since the day began, in seconds.
    pub(crate) run_time_s: f64,
    /// Up to when this was counted.
    pub(crate) up_to: String,
    /// The same in a sentence.
    pub(crate) words: String,
}

/// Where in the past to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct From {
    /// Only decisions before the one with this number.
    pub(crate) before: Option<i64>,
    /// Only decisions before this time.
    pub(crate) until: Option<WallTime>,
}

/// Some decisions, the newest first.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Decisions {
    /// At most 25.
    pub(crate) decisions: Vec<Decided>,
    /// To be asked for with `before` to get older ones; null where there are none.
    pub(crate) older: Option<i64>,
}

/// One decision.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Decided {
    /// Its number.
    pub(crate) number: i64,
    /// When; null while the wall clock was not believed.
    pub(crate) at: Option<String>,
    /// Whether it should run.
    pub(crate) on: bool,
    /// Set-point in watts.
    pub(crate) setpoint_w: f64,
    /// The rule whose request held.
    pub(crate) rule: Option<String>,
    /// Why, in words.
    pub(crate) reason: String,
    /// What kept it from what was asked, as a stable word.
    pub(crate) limited_by: Option<String>,
    /// What each rule asked of it, highest rank first.
    pub(crate) requests: Vec<AskedOf>,
    /// The readings that it rested on.
    pub(crate) readings: Vec<Rested>,
    /// Its day, in words.
    #[serde(skip)]
    pub(crate) day: String,
    /// The time of that day; empty where it is not known.
    #[serde(skip)]
    pub(crate) clock: String,
    /// What it did, in words.
    #[serde(skip)]
    pub(crate) did: String,
}

/// What one rule asked.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct AskedOf {
    /// The rule.
    pub(crate) rule: String,
    /// What it asked, in words.
    pub(crate) asked: String,
    /// Why, in the rule's words.
    pub(crate) reason: String,
}

/// One reading behind a decision.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Rested {
    /// Its name, as rules read it.
    pub(crate) name: String,
    /// Its value; null while unknown.
    pub(crate) value: Option<f64>,
    /// Its age at the decision, in seconds.
    pub(crate) age_s: Option<f64>,
    /// The same in words.
    #[serde(skip)]
    pub(crate) words: String,
}

impl Decisions {
    /// The decisions of each day, under its name.
    pub(crate) fn days(&self) -> impl Iterator<Item = (String, &[Decided])> {
        let days = self.decisions.chunk_by(|a, b| a.day == b.day);
        days.map(|day| (day.first().map_or(String::new(), |one| speech::capital(&one.day)), day))
    }
}

/// What a load took today, as far as it was counted; `None` before the first count.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn today(
    journal: &StoreReader,
    home: &Home,
    id: LoadId,
    now: WallTime,
) -> Result<Option<Today>, StoreError> {
    let log = journal.load_log(&home.load(id).id)?;
    let Some(last) = log.marks.last() else { return Ok(None) };
    let midnight = speech::midnight(now, &home.timezone);
    if last.at < midnight {
        return Ok(None);
    }
    let (before_kwh, before) = log.at(midnight);
    let energy_kwh = (last.energy_kwh - before_kwh).max(0.0);
    let run_time = (last.run_time - before).max(Span::ZERO);
    let up_to = speech::time(last.at, now, &home.timezone);
    let did = match run_time {
        Span::ZERO if energy_kwh < 0.005 => "it has not run".to_owned(),
        Span::ZERO => format!("it has not run and took {energy_kwh:.2} kWh"),
        ran => format!("it ran for {} and took {energy_kwh:.2} kWh", speech::lasting(ran)),
    };
    Ok(Some(Today {
        energy_kwh,
        run_time_s: run_time.as_seconds(),
        up_to: last.at.to_rfc3339(),
        words: format!("Today up to {up_to} {did}."),
    }))
}

/// A page of decisions.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn decisions(
    journal: &StoreReader,
    home: &Home,
    id: LoadId,
    from: From,
) -> Result<Decisions, StoreError> {
    let load = home.load(id);
    let mut rows = journal.decisions_back(&load.id, from.before, from.until, ON_A_PAGE + 1)?;
    let more = rows.len() > ON_A_PAGE;
    rows.truncate(ON_A_PAGE);
    let older = rows.last().map(|(number, _)| *number).filter(|_| more);
    let decisions = rows.into_iter().map(|(number, row)| decided(home, id, number, row)).collect();
    Ok(Decisions { decisions, older })
}

/// What a decision had a load do.
pub(crate) fn did(home: &Home, load: &Load, row: &DecisionRow) -> String {
    let amps = load.is_charge_point().then(|| row.setpoint_w / load.watts_per_amp(home.supply.volts));
    speech::capital(&words::setting(row.on, amps, row.setpoint_w, &load.kind))
}

fn decided(home: &Home, id: LoadId, number: i64, row: DecisionRow) -> Decided {
    let did = did(home, home.load(id), &row);
    let time = speech::exact(row.at, &home.timezone);
    let (day, clock) = time
        .rsplit_once(", ")
        .map_or((time.clone(), String::new()), |(day, clock)| (day.to_owned(), clock.to_owned()));
    let asked = |r: &crate::store::Request| AskedOf {
        rule: r.rule.clone(),
        asked: words::request(&r.request),
        reason: r.reason.clone(),
    };
    Decided {
        number,
        at: row.at.map(WallTime::to_rfc3339),
        on: row.on,
        setpoint_w: row.setpoint_w,
        requests: row.requests.iter().map(asked).collect(),
        readings: row.readings.iter().map(|seen| rested(home, seen)).collect(),
        day,
        clock,
        rule: row.rule,
        reason: row.reason,
        limited_by: row.limited_by,
        did,
    }
}

fn rested(home: &Home, seen: &Seen) -> Rested {
    let takes = home.setting_named(&seen.name).map(|id| &home.setting(id).takes);
    let value = match seen.value {
        None => "not known".to_owned(),
        Some(flag) if takes == Some(&Takes::Flag) => if flag != 0.0 { "yes" } else { "no" }.to_owned(),
        Some(w) if seen.name.ends_with("_w") => speech::watts(w),
        Some(number) => tidy(number).to_string(),
    };
    let age = seen.age.filter(|age| *age > Span::ZERO).map_or(String::new(), |age| format!(", {age} old"));
    Rested {
        name: seen.name.clone(),
        value: seen.value,
        age_s: seen.age.map(Span::as_seconds),
        words: format!("{} {value}{age}", seen.name),
    }
}

/// Without the digits that nobody reads.
fn tidy(value: f64) -> f64 {
    let parts = if value.abs() < 10.0 { 1000.0 } else { 10.0 };
    (value * parts).round() / parts
}
