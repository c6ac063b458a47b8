//! Energy of a span: what the roof made, what of it stayed here, what was bought; in bars and in sums. Counted as the
//! report counts.

use jiff::civil::Date;
use overspill_rules::answers::report::{self, LoadShare, Report, Totals};
use overspill_rules::home::{Home, Measures};
use overspill_rules::time::{Span, WallTime};

use super::span::Asked;
use crate::report::history;
use crate::report::words::{kwh, percent};
use crate::store::{StoreError, StoreReader};

/// Up to so many days each half hour has a bar.
pub(super) const HALF_HOURS_UP_TO: f64 = 3.0;

/// Up to so many days each day has a bar; beyond, each month.
const DAYS_UP_TO: f64 = 120.0;

/// What a bar stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    HalfHour,
    Day,
    Month,
}

impl Step {
    /// As words and JSON name it.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Step::HalfHour => "half hour",
            Step::Day => "day",
            Step::Month => "month",
        }
    }
}

/// One bar: energies in kilowatt-hours, `None` where not known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Bar {
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
    pub(crate) made: Option<f64>,
    /// Made and not sent out.
    pub(crate) kept: Option<f64>,
    /// Sent out.
    pub(crate) left: Option<f64>,
    pub(crate) bought: Option<f64>,
    /// The share of its time that is known, 0 to 1.
    pub(crate) covered: f64,
}

/// The energy of a span.
#[derive(Debug, Clone)]
pub(crate) struct Energy {
    pub(crate) step: Step,
    pub(crate) bars: Vec<Bar>,
    /// The sums of the part that is past.
    pub(crate) totals: Totals,
    /// What each load took, in the home's order.
    pub(crate) loads: Vec<LoadShare>,
    /// The first and the last day of which the record has energy.
    pub(crate) known: Option<(WallTime, WallTime)>,
}

/// Reads the energy of a span.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn energy(
    journal: &StoreReader,
    home: &Home,
    asked: &Asked,
    now: WallTime,
) -> Result<Energy, StoreError> {
    let span = asked.past(now);
    let history = history(journal, home, span)?;
    let starts: Result<Vec<Option<u32>>, StoreError> =
        home.loads.iter().map(|load| journal.starts(&load.id, span.0, span.1)).collect();
    let told = report::report(&report::Asked {
        home,
        history: &history,
        tariff: None,
        prices: &[],
        carbon: &[],
        roof_w: None,
        starts: &starts?,
    });
    let (step, bars) = match asked.length_days() {
        days if days <= HALF_HOURS_UP_TO => (Step::HalfHour, half_hours(home, &history)),
        days if days <= DAYS_UP_TO => (Step::Day, days_of(&told)),
        _ => (Step::Month, months_of(&told)),
    };
    let known = journal.days_known()?;
    Ok(Energy { step, bars, totals: told.totals, loads: told.loads, known })
}

fn half_hours(home: &Home, history: &report::History) -> Vec<Bar> {
    let each = report::half_hours(home, history).into_iter();
    each.map(|(from, totals)| bar(from, from + Span::minutes(30), &totals)).collect()
}

fn days_of(told: &Report) -> Vec<Bar> {
    let ends = told.days.iter().skip(1).map(|day| day.start).chain([told.span.1]);
    told.days.iter().zip(ends).map(|(day, end)| bar(day.start, end, &day.totals)).collect()
}

fn months_of(told: &Report) -> Vec<Bar> {
    let month = |date: Date| (date.year(), date.month());
    let mut bars: Vec<((i16, i8), Bar)> = Vec::new();
    for (day, bar) in told.days.iter().zip(days_of(told)) {
        let month = month(day.date);
        match bars.last_mut().filter(|(of, _)| *of == month) {
            Some((_, whole)) => *whole = both(whole, &bar),
            None => bars.push((month, bar)),
        }
    }
    bars.into_iter().map(|(_, bar)| bar).collect()
}

fn bar(from: WallTime, to: WallTime, totals: &Totals) -> Bar {
    let kwh = |energy: Option<report::Energy>| energy.map(|energy| energy.kwh);
    Bar {
        from,
        to,
        made: kwh(totals.solar),
        kept: totals.self_use_kwh,
        left: kwh(totals.export),
        bought: kwh(totals.import),
        covered: totals.covered,
    }
}

fn both(one: &Bar, other: &Bar) -> Bar {
    let sum = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => Some(a + b),
        (a, b) => a.or(b),
    };
    let (before, more) = ((one.to - one.from).as_hours(), (other.to - other.from).as_hours());
    Bar {
        from: one.from,
        to: other.to,
        made: sum(one.made, other.made),
        kept: sum(one.kept, other.kept),
        left: sum(one.left, other.left),
        bought: sum(one.bought, other.bought),
        covered: (one.covered * before + other.covered * more) / (before + more).max(f64::MIN_POSITIVE),
    }
}

impl Energy {
    /// Whether anything is known of the span.
    pub(crate) fn is_known(&self) -> bool {
        let totals = &self.totals;
        [totals.import, totals.export, totals.solar, totals.house].iter().any(Option::is_some)
    }

    /// What it came to, in a sentence.
    pub(crate) fn sentence(&self, home: &Home, when: &str) -> String {
        let told = |energy: Option<report::Energy>| energy.map(|energy| kwh(energy.kwh));
        let totals = &self.totals;
        if !self.is_known() {
            return format!("{when} nothing was recorded.");
        }
        let (left, bought) = (told(totals.export), told(totals.import));
        let bought =
            bought.map_or("what was bought is not known".to_owned(), |kwh| format!("{kwh} kWh were bought"));
        let roof = match (told(totals.solar), totals.self_use_kwh, &left) {
            (Some(made), Some(kept), Some(left)) => {
                format!("the roof made {made} kWh: {} stayed here, {left} left; ", kwh(kept.max(0.0)))
            }
            (Some(made), _, Some(left)) => format!("the roof made {made} kWh and {left} kWh left; "),
            (Some(made), _, None) => {
                format!("the roof made {made} kWh, of which it is not known how much left; ")
            }
            (None, _, left) => {
                let left = left.as_ref().filter(|kwh| !matches!(kwh.as_str(), "0.00"));
                let left = left.map_or(String::new(), |kwh| format!("{kwh} kWh left, "));
                let roof =
                    if home.measures(Measures::Solar) { "what the roof made is not known; " } else { "" };
                format!("{roof}{left}")
            }
        };
        format!("{when} {roof}{bought}.")
    }

    /// What is to be said of how much of the time is known.
    pub(crate) fn doubt(&self) -> Option<String> {
        let covered = self.totals.covered;
        (self.is_known() && covered < 0.995).then(|| {
            format!("Readings cover {} of this time; what is missing is in no sum.", percent(Some(covered)))
        })
    }

    /// What was set aside, in a sentence.
    pub(crate) fn noise(&self) -> Option<String> {
        let noise = self.totals.noise_kwh;
        (noise >= 0.005).then(|| {
            format!(
                "{} kWh that the roof's meter told of the dark are taken for noise and left out here, as in the \
                 report.",
                kwh(noise)
            )
        })
    }
}
