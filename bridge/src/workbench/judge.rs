//! What was expected against what came.

use overspill_rules::home::{Home, LoadId};
use overspill_rules::output::Severity;
use overspill_rules::time::Span;

use super::case::{Case, Expect, Wanted, When};
use super::story::{Story, Turn};

/// Something that is not as it should be.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Failure {
    /// The line of the expectation; `None` where something happened that none names.
    pub(crate) line: Option<usize>,
    /// When it was seen.
    pub(crate) at: Span,
    /// The time that was looked at, where it is not that moment.
    pub(crate) during: Option<(Span, Span)>,
    pub(crate) load: Option<LoadId>,
    /// What was looked at, what was expected, what was seen; those that agree too.
    pub(crate) rows: Vec<Row>,
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) what: &'static str,
    pub(crate) expected: String,
    pub(crate) actual: String,
    pub(crate) agrees: bool,
}

/// Everything in a story that is not as the test expects.
pub(crate) fn judge(home: &Home, case: &Case, story: &Story) -> Vec<Failure> {
    let judge = Judge { home, story };
    let mut failures: Vec<Failure> = case.expect.iter().flat_map(|e| judge.expect(e)).collect();
    if case.nothing_else {
        failures.extend(judge.else_happened(&case.expect));
    }
    failures
}

struct Judge<'a> {
    home: &'a Home,
    story: &'a Story,
}

impl Judge<'_> {
    fn expect(&self, expect: &Expect) -> Vec<Failure> {
        let (of_time, of_moment): (Vec<&Wanted>, Vec<&Wanted>) =
            expect.wants.iter().partition(|w| w.is_of_a_time());
        let (from, until) = expect.when.ends();
        let mut failures = Vec::new();
        let state = self.moments(expect).into_iter().find_map(|at| {
            let rows: Vec<Row> = of_moment.iter().filter_map(|w| self.state(w, expect.load?, at)).collect();
            rows.iter().any(|r| !r.agrees).then_some((at, rows))
        });
        let failure =
            |at, during, rows| Failure { line: Some(expect.line), at, during, load: expect.load, rows };
        if let Some((at, rows)) = state {
            failures.push(failure(at, None, rows));
        }
        let rows: Vec<Row> =
            of_time.iter().filter_map(|w| self.of_time(w, expect.load, from, until)).collect();
        if rows.iter().any(|r| !r.agrees) {
            failures.push(failure(until, Some((from, until)), rows));
        }
        failures
    }

    /// The moments at which a state must be looked at: the first, and each at which it changes.
    fn moments(&self, expect: &Expect) -> Vec<Span> {
        let (from, _) = expect.when.ends();
        let mut moments = vec![from];
        if let (When::During(..), Some(load)) = (expect.when, expect.load) {
            let i = usize::from(load.0);
            let reports = self.story.loads.get(i).into_iter().flatten().map(|(at, _)| *at);
            let draws = self.story.draws.get(i).into_iter().flatten().map(|(at, _)| *at);
            moments.extend(reports.chain(draws).filter(|at| expect.when.holds(*at)));
            moments.sort_unstable();
            moments.dedup();
        }
        moments
    }

    /// Expected and actual of a load at a moment.
    fn state(&self, wanted: &Wanted, load: LoadId, at: Span) -> Option<Row> {
        let report = self.story.load_at(load, at);
        let on = report.is_some_and(|r| r.on);
        let watts = report.map_or(0.0, |r| r.setpoint_w);
        let amps = report.and_then(|r| r.setpoint_a).unwrap_or(0.0);
        let row = |expected: String, actual: String, agrees: bool| {
            Some(Row { what: wanted.key(), expected, actual, agrees })
        };
        let number = |low: f64, high: f64, actual: f64, unit: &str| {
            let near = 0.5_f64.min((high - low).max(1.0) / 2.0);
            let agrees = actual >= low - near && actual <= high + near;
            row(range(low, high, unit), shown(actual, unit), agrees)
        };
        match wanted {
            Wanted::On(wants) => row(on_word(*wants), on_word(on), on == *wants),
            Wanted::Watts(low, high) => number(*low, *high, watts, "W"),
            Wanted::Amps(low, high) => number(*low, *high, amps, "A"),
            Wanted::Draws(low, high) => number(*low, *high, self.story.draw_at(load, at), "W"),
            Wanted::Rule(wants) => {
                let rule = report.and_then(|r| r.rule.clone());
                row(or_none(wants.as_deref()), or_none(rule.as_deref()), rule == *wants)
            }
            Wanted::LimitedBy(wants) => {
                let limit = report.and_then(|r| r.limited_by).map(|l| l.word());
                row(or_none(wants.as_deref()), or_none(limit), limit == wants.as_deref())
            }
            Wanted::Reason(part) => {
                let reason = report.map_or("", |r| r.reason.as_str());
                row(format!("has \"{part}\""), reason.to_owned(), reason.contains(part.as_str()))
            }
            _ => None,
        }
    }

    /// Expected and actual of a whole time.
    fn of_time(&self, wanted: &Wanted, load: Option<LoadId>, from: Span, until: Span) -> Option<Row> {
        let row = |expected: String, actual: String, agrees: bool| {
            Some(Row { what: wanted.key(), expected, actual, agrees })
        };
        let count = |turn: Turn, low: f64, high: f64| {
            let when = When::During(from, until);
            let turns = self.story.turns(load?);
            let seen = turns.iter().filter(|(at, t, ..)| *t == turn && when.holds(*at)).count() as f64;
            row(range(low, high, ""), shown(seen, ""), seen >= low && seen <= high)
        };
        match wanted {
            Wanted::Starts(low, high) => count(Turn::Start, *low, *high),
            Wanted::Stops(low, high) => count(Turn::Stop, *low, *high),
            Wanted::Changes(low, high) => count(Turn::Change, *low, *high),
            Wanted::Kwh(low, high) => {
                let kwh = self.story.kwh(load?, from, until);
                // A number alone is met to the hundredth of a kilowatt-hour.
                let near = if low == high { 0.01 } else { 1e-6 };
                row(range(*low, *high, "kWh"), shown(kwh, "kWh"), kwh >= low - near && kwh <= high + near)
            }
            Wanted::Notice { code, text } => {
                let when = When::During(from, until);
                let came: Vec<_> = self.story.notices.iter().filter(|(at, _)| when.holds(*at)).collect();
                let fits = |n: &overspill_rules::output::Notice| {
                    n.code == *code && text.as_ref().is_none_or(|t| n.text.contains(t.as_str()))
                };
                let agrees = came.iter().any(|(_, n)| fits(n));
                let named: Vec<String> =
                    came.iter().map(|(_, n)| format!("{}: {}", n.code, n.text)).collect();
                let actual = if named.is_empty() { "none came".to_owned() } else { named.join("; ") };
                let with = text.as_ref().map(|t| format!(" with \"{t}\"")).unwrap_or_default();
                row(format!("{code}{with}"), actual, agrees)
            }
            _ => None,
        }
    }

    /// Starts, stops and notices that no expectation names. What is only good to know is no wrong.
    fn else_happened(&self, expects: &[Expect]) -> Vec<Failure> {
        let mut failures = Vec::new();
        for i in 0..self.home.loads.len() {
            let load = LoadId(i as u16);
            for (at, turn, ..) in self.story.turns(load) {
                let named = |w: &Wanted| match turn {
                    Turn::Start => matches!(w, Wanted::Starts(..)),
                    Turn::Stop => matches!(w, Wanted::Stops(..)),
                    Turn::Change => true,
                };
                let expected = expects
                    .iter()
                    .any(|e| e.load == Some(load) && e.when.holds(at) && e.wants.iter().any(named));
                if turn != Turn::Change && !expected {
                    failures.push(happened(at, Some(load), turn.word(), format!("a {}", turn.word())));
                }
            }
        }
        for (at, notice) in self.story.notices.iter().filter(|(_, n)| n.severity > Severity::Info) {
            let named = |w: &Wanted| matches!(w, Wanted::Notice { code, .. } if *code == notice.code);
            if !expects.iter().any(|e| e.when.holds(*at) && e.wants.iter().any(named)) {
                let actual = format!("{}: {}", notice.code, notice.text);
                failures.push(happened(*at, None, "notice", actual));
            }
        }
        failures.sort_by_key(|f| f.at);
        failures
    }
}

fn happened(at: Span, load: Option<LoadId>, what: &'static str, actual: String) -> Failure {
    let row = Row { what, expected: "nothing else".to_owned(), actual, agrees: false };
    Failure { line: None, at, during: None, load, rows: vec![row] }
}

fn on_word(on: bool) -> String {
    if on { "on" } else { "off" }.to_owned()
}

fn or_none(text: Option<&str>) -> String {
    text.unwrap_or("none").to_owned()
}

fn shown(number: f64, unit: &str) -> String {
    let number = match unit {
        "kWh" => format!("{number:.2}"),
        _ => format!("{}", (number * 10.0).round() / 10.0),
    };
    if unit.is_empty() { number } else { format!("{number} {unit}") }
}

fn range(low: f64, high: f64, unit: &str) -> String {
    if low == high { shown(low, unit) } else { format!("{low} to {}", shown(high, unit)) }
}
