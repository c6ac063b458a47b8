//! A failure in words: expected and actual side by side, the readings, and the chain that led there.

use std::fmt::Write;

use overspill_rules::home::{Home, LoadId, Takes};
use overspill_rules::output::{Decision, Seen};
use overspill_rules::request::{Request, SpareTerms};
use overspill_rules::time::Span;

use super::case::Case;
use super::judge::{Failure, Row};
use super::moments;
use super::story::Story;
use crate::config::render::wrapped;

/// Decisions shown before the last one.
const CHAIN: usize = 3;

/// Where the values begin, in columns.
const MARGIN: usize = 12;

/// A failure as people read it, indented by two, in at most `columns`.
pub(crate) fn failure(home: &Home, case: &Case, story: &Story, failure: &Failure, columns: usize) -> String {
    let mut text = String::new();
    let told = Told { home, case, story, columns };
    told.heading(&mut text, failure);
    told.rows(&mut text, &failure.rows);
    if let Some(load) = failure.load {
        told.chain(&mut text, load, failure.at);
    }
    text
}

struct Told<'a> {
    home: &'a Home,
    case: &'a Case,
    story: &'a Story,
    columns: usize,
}

impl Told<'_> {
    fn clock(&self, at: Span) -> String {
        moments::shown(at, self.case.start, &self.home.timezone)
    }

    fn heading(&self, text: &mut String, failure: &Failure) {
        let when = match failure.during {
            Some((from, until)) => format!("from {} until {}", self.clock(from), self.clock(until)),
            None => format!("at {}", self.clock(failure.at)),
        };
        let of = failure.load.map_or(String::new(), |l| format!(", {}", self.home.load(l).id));
        let place = failure.line.map_or(String::new(), |line| format!(" (line {line})"));
        let _ = writeln!(text, "  {when}{of}{place}");
    }

    fn rows(&self, text: &mut String, rows: &[Row]) {
        let expected = rows.iter().map(|r| r.expected.chars().count()).max().unwrap_or(0).max(8);
        // Where both do not fit side by side, the actual value goes beneath.
        let beside = MARGIN + 4 + expected + 2;
        let actual = rows.iter().map(|r| r.actual.chars().count()).max().unwrap_or(0);
        if beside + actual.min(24) > self.columns {
            return self.rows_beneath(text, rows);
        }
        let _ = writeln!(text, "    {:MARGIN$}{:expected$}  actual", "", "expected");
        for row in rows {
            let mark = if row.agrees { " " } else { "x" };
            let lines = wrapped(&row.actual, self.columns - beside);
            let mut lines = lines.lines();
            let first = lines.next().unwrap_or("");
            let _ = writeln!(text, "  {mark} {:MARGIN$}{:expected$}  {first}", row.what, row.expected);
            for line in lines {
                let _ = writeln!(text, "{:beside$}{line}", "");
            }
        }
    }

    fn rows_beneath(&self, text: &mut String, rows: &[Row]) {
        for row in rows {
            let mark = if row.agrees { " " } else { "x" };
            let _ = writeln!(text, "  {mark} {}", row.what);
            self.line(text, "expected", &row.expected);
            self.line(text, "actual", &row.actual);
        }
    }

    /// A line with a word in the margin, wrapped.
    fn line(&self, text: &mut String, word: &str, says: &str) {
        let width = self.columns.saturating_sub(MARGIN + 4);
        let mut word = word;
        for line in wrapped(says, width).lines() {
            let _ = writeln!(text, "    {word:MARGIN$}{line}");
            word = "";
        }
    }

    fn chain(&self, text: &mut String, load: LoadId, at: Span) {
        if let Some(report) = self.story.load_at(load, at) {
            self.line(text, "because", &report.reason);
        }
        let of_load = self.story.decisions.iter().filter(|(t, d)| d.load == load && *t <= at);
        let decisions: Vec<&(Span, Decision)> = of_load.collect();
        let Some((decided, last)) = decisions.last() else { return };
        self.balance(text, at);
        self.line(text, "decided", &format!("at {}: {}", self.clock(*decided), did(last)));
        let readings: Vec<String> = last.readings.iter().map(|seen| self.reading(seen)).collect();
        if !readings.is_empty() {
            self.line(text, "it read", &readings.join(", "));
        }
        for asked in &last.requests {
            let says = format!("{} {}: \"{}\"", asked.rule, asks(&asked.request), asked.reason);
            self.line(text, "rule", &says);
        }
        if last.requests.is_empty() {
            self.line(text, "rule", "no rule asks for it");
        }
        self.rules_in_trouble(text, at);
        for (before, decision) in decisions.iter().rev().skip(1).take(CHAIN) {
            self.line(text, "before", &format!("at {}: {}", self.clock(*before), did(decision)));
        }
    }

    fn reading(&self, seen: &Seen) -> String {
        let takes = self.home.setting_named(&seen.name).map(|id| &self.home.setting(id).takes);
        let value = match seen.value {
            None => "unknown".to_owned(),
            Some(flag) if takes == Some(&Takes::Flag) => (flag != 0.0).to_string(),
            Some(number) => tidy(number).to_string(),
        };
        let age = seen.age.filter(|a| *a > Span::ZERO).map_or(String::new(), |a| format!(" ({a} old)"));
        format!("{} {value}{age}", seen.name)
    }

    fn balance(&self, text: &mut String, at: Span) {
        let Some(balance) = self.story.balance_at(at) else { return };
        let values = [
            ("grid", balance.total.grid_w),
            ("solar", balance.total.solar_w),
            ("base", balance.total.base_w),
            ("spare", balance.total.spare_w),
        ];
        let said: Vec<String> = values.iter().map(|(name, w)| format!("{name} {}", watts(*w))).collect();
        self.line(text, "readings", &said.join(", "));
    }

    /// Rules that wait or failed at that time: the usual reason why nobody asks.
    fn rules_in_trouble(&self, text: &mut String, at: Span) {
        let mut names: Vec<&str> = self.story.rules.iter().map(|(_, r)| r.rule.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            let last = self.story.rules.iter().rfind(|(t, r)| r.rule == name && *t <= at);
            let Some((_, report)) = last else { continue };
            if let Some(message) = &report.message {
                let line = report.line.map_or(String::new(), |l| format!(" at line {l}"));
                self.line(text, "rule", &format!("{name}{line}: {message}"));
            }
        }
    }
}

fn did(decision: &Decision) -> String {
    let does =
        if decision.on { format!("on at {}", watts(Some(decision.setpoint_w))) } else { "off".to_owned() };
    let rule = decision.rule.as_ref().map_or(String::new(), |r| format!(", rule {r}"));
    let limit = decision.limited_by.map_or(String::new(), |l| format!(", limited by {}", l.word()));
    format!("{does}{rule}{limit}")
}

fn watts(watts: Option<f64>) -> String {
    watts.map_or("unknown".to_owned(), |w| format!("{w:.0} W"))
}

fn asks(request: &Request) -> String {
    match request {
        Request::TakeSpare(terms) if *terms == SpareTerms::default() => "asks for spare power".to_owned(),
        Request::TakeSpare(_) => "asks for spare power on terms".to_owned(),
        Request::Run => "asks to run".to_owned(),
        Request::RunAtW(w) => format!("asks to run at {w} W"),
        Request::RunAtA(a) => format!("asks to run at {a} A"),
        Request::Stop => "asks to stop".to_owned(),
    }
}

/// A tenth is fine enough for watts, and nothing to tell a price by.
fn tidy(value: f64) -> f64 {
    let parts = if value.abs() < 10.0 { 1000.0 } else { 10.0 };
    (value * parts).round() / parts
}
