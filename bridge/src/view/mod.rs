//! The live view: what the newest [`Facts`] say, as lines of text.
//!
//! Its picture is a cascade: what the roof makes falls step by step, to the house, to each load in its turn, and what is
//! left goes out to the street; what is missing comes from there. Every bar is as long as its watts and begins where the
//! one above ended. Nothing is told by colour; what is not known is said so and never drawn as 0.

mod cascade;
mod screen;
#[cfg(test)]
mod tests;
mod text;

use jiff::tz::TimeZone;
use overspill_rules::home::{Home, Kind, LoadId};
use overspill_rules::output::{DrawSource, LoadReport, Notice, RuleState, Severity};
use overspill_rules::time::WallTime;

use crate::daemon::Facts;
use cascade::{Cascade, Part};
pub use screen::Screen;
use text::{clean, cut, wrapped};

/// Wider lines are hard to read.
const WIDEST: usize = 100;

/// Narrower than this the bars are left out.
const NARROWEST_WITH_BARS: usize = 40;

/// Notices shown.
const NOTICES: usize = 3;

/// What the view draws on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Canvas {
    /// Columns of the terminal.
    pub columns: usize,
    /// Only letters, digits and signs that every terminal has.
    pub ascii: bool,
}

/// What of a home never changes while it is shown.
#[derive(Debug, Clone)]
pub struct Scene {
    name: String,
    zone: TimeZone,
    /// Place, turn and kind of each load, in the order in which they are served.
    order: Vec<(usize, u32, Kind)>,
    has_solar: bool,
}

impl Scene {
    /// A view of this home.
    pub fn new(home: &Home) -> Scene {
        let place = |id: LoadId| {
            let load = home.load(id);
            (usize::from(id.0), load.turn, load.kind)
        };
        Scene {
            name: home.name.clone(),
            zone: home.timezone.clone(),
            order: home.loads_by_turn().into_iter().map(place).collect(),
            has_solar: home.measures(overspill_rules::home::Measures::Solar),
        }
    }

    /// The newest state as lines, none wider than the canvas.
    pub fn lines(&self, facts: &Facts, canvas: Canvas) -> Vec<String> {
        let columns = canvas.columns.clamp(20, WIDEST);
        let mut lines = self.heading(facts, columns);
        lines.push(String::new());
        if !facts.connected {
            lines.push("No connection to the broker.".to_owned());
        }
        self.cascade_lines(facts, columns, canvas.ascii, &mut lines);
        lines.push(String::new());
        lines.extend(spare(facts, columns));
        lines.extend(rule_troubles(facts, columns));
        self.notice_lines(facts, columns, &mut lines);
        lines.iter().map(|line| cut(line.trim_end(), columns)).collect()
    }

    /// Name and time, on two lines where they do not fit on one.
    fn heading(&self, facts: &Facts, columns: usize) -> Vec<String> {
        let time = match facts.wall.and_then(|wall| wall.in_zone(&self.zone)) {
            Some(time) => time.strftime("%a %-d %B %Y, %H:%M:%S").to_string(),
            None => "time not known".to_owned(),
        };
        let name = clean(&self.name);
        let line = format!("{name}   {time}");
        if line.chars().count() <= columns { vec![line] } else { vec![name, time] }
    }

    fn cascade_lines(&self, facts: &Facts, columns: usize, ascii: bool, lines: &mut Vec<String>) {
        let balance = facts.balance.as_ref().map(|b| b.total).unwrap_or_default();
        let mut cascade = Cascade::default();
        if self.has_solar {
            cascade.source("The roof makes", balance.solar_w);
        }
        if let Some(watts) = balance.battery_w {
            if watts < 0.0 {
                cascade.using("the battery takes", Some(-watts));
            } else {
                cascade.source("the battery gives", Some(watts));
            }
        }
        cascade.using("the house uses", balance.base_w);
        for (place, turn, kind) in &self.order {
            let Some(load) = facts.loads.get(*place) else { continue };
            let draw = load.report.as_ref().and_then(|r| r.draw_w);
            cascade.using(&format!("{turn} {} takes", clean(&load.name)), draw);
            cascade.note(&self.state(load.report.as_ref(), *kind));
        }
        cascade.street(balance.grid_w);
        let bars = columns >= NARROWEST_WITH_BARS;
        for part in cascade.parts(columns, bars, ascii) {
            match part {
                Part::Row(row) => lines.push(row),
                Part::Note(note) => lines.extend(wrapped(&note, "    ", columns)),
            }
        }
    }

    /// What a load is told to do, and why.
    fn state(&self, report: Option<&LoadReport>, kind: Kind) -> String {
        let Some(report) = report else { return "not decided yet".to_owned() };
        let mut told = crate::words::told(report, &kind);
        if report.on && report.draw_w.is_some() && report.draw_source == DrawSource::Estimate {
            told.push_str(" (draw estimated)");
        }
        let reason = clean(&report.reason);
        let until = report.override_until.and_then(|t| self.minute(t));
        let until = until.map(|t| format!(", until {t}")).unwrap_or_default();
        let rule = report.rule.as_ref().map(|r| format!(" (rule {})", clean(r))).unwrap_or_default();
        let waits = report.waits_until.and_then(|t| self.minute(t));
        let waits = waits.map(|t| format!(", about {t}")).unwrap_or_default();
        if reason.is_empty() {
            format!("{told}{until}{rule}")
        } else {
            format!("{told}: {reason}{waits}{until}{rule}")
        }
    }

    fn minute(&self, wall: WallTime) -> Option<String> {
        wall.in_zone(&self.zone).map(|time| time.strftime("%H:%M").to_string())
    }

    fn notice_lines(&self, facts: &Facts, columns: usize, lines: &mut Vec<String>) {
        let skip = facts.notices.len().saturating_sub(NOTICES);
        let last = facts.notices.iter().skip(skip);
        for notice in last {
            let time = notice.at.and_then(|t| self.minute(t)).unwrap_or_else(|| "--:--".to_owned());
            let text = format!("{time} {}{}", severity(notice), clean(&notice.text));
            lines.extend(wrapped(&text, "      ", columns).into_iter().enumerate().map(
                |(i, line)| match i {
                    0 => line.trim_start().to_owned(),
                    _ => line,
                },
            ));
        }
    }
}

fn spare(facts: &Facts, columns: usize) -> Vec<String> {
    let total = facts.balance.as_ref().map(|b| b.total).unwrap_or_default();
    let watts = |w: Option<f64>| w.map_or("not known".to_owned(), |w| format!("{:.0} W", whole(w)));
    let spare = match total.spare_w {
        // Below nothing the house alone uses more than the roof makes.
        Some(w) if w < 0.0 => "nothing".to_owned(),
        other => watts(other),
    };
    let text = format!("Spare for the loads: {spare}. They take {}.", watts(total.loads_w));
    wrapped(&text, "", columns)
}

fn rule_troubles(facts: &Facts, columns: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for report in facts.rules.values() {
        let state = match report.state {
            RuleState::Ok => continue,
            RuleState::Waiting => "waits",
            RuleState::Failed => "failed",
            RuleState::Suspended => "is suspended",
        };
        let why = report.message.as_deref().map(|m| format!(": {}", clean(m))).unwrap_or_default();
        lines.extend(wrapped(&format!("Rule {} {state}{why}", clean(&report.rule)), "", columns));
    }
    lines
}

fn severity(notice: &Notice) -> &'static str {
    match notice.severity {
        Severity::Info => "",
        Severity::Warning => "Warning: ",
        Severity::Problem => "Problem: ",
    }
}

/// Whole watts, and never a minus before a nought.
fn whole(watts: f64) -> f64 {
    watts.round() + 0.0
}
