//! The answer as people read it, 80 columns wide, and as programs do.

use jiff::tz::TimeZone;
use overspill_rules::home::Home;
use overspill_rules::output::{DrawSource, LoadReport, RuleState};
use overspill_rules::time::WallTime;
use serde_json::{Value, json};

use super::{Answer, Change};
use crate::store::DecisionRow;
use crate::words::{request, told, wrapped};

const LABEL: usize = 11;

/// The sentence first, then the chain that led to it.
pub fn answer(home: &Home, answer: &Answer) -> String {
    let zone = &home.timezone;
    let mut text = wrapped(&sentence(home, answer), "", 80);
    if let Some(change) = answer.change {
        text.push_str(&wrapped(&change_told(home, answer, change), "", 80));
    }
    text.push('\n');
    let mut line = |label: &str, told: String| text.push_str(&labelled(label, &told));
    line("at", local(answer.at, zone));
    line("readings", readings(answer));
    for told in asked(answer) {
        line("asked", told);
    }
    let report = &answer.report;
    if let Some(limit) = report.limited_by {
        let until =
            report.waits_until.map_or(String::new(), |t| format!(", until {} at least", local(t, zone)));
        line("held by", format!("{}{until}", limit.word()));
    }
    line("draws", draws(report));
    if let Some(until) = report.override_until {
        line("override", format!("a person's, until {}", local(until, zone)));
    }
    if let Some(by) = &report.out_of_service {
        line("out", format!("of service by {by}"));
    }
    if let Some(changed) = &answer.changed {
        line("changed", decided(changed, zone));
    }
    if let Some(before) = &answer.before {
        line("before", decided(before, zone));
    }
    text
}

fn sentence(home: &Home, answer: &Answer) -> String {
    let (load, report) = (home.load(answer.load), &answer.report);
    let does = told(report, &load.kind);
    let because = match &report.rule {
        Some(rule) => match asked_by(answer, rule) {
            Some(asked) => format!("rule `{rule}` asks {asked}: {}", report.reason),
            None => format!("of rule `{rule}`: {}", report.reason),
        },
        None => report.reason.clone(),
    };
    format!("{} is {does} because {because}.", load.name)
}

fn asked_by(answer: &Answer, rule: &str) -> Option<String> {
    let report = answer.rules.iter().find(|r| r.rule == rule)?;
    report.requests.iter().find(|a| a.load == answer.load).map(|asked| request(&asked.request))
}

fn change_told(home: &Home, answer: &Answer, change: Change) -> String {
    let name = &home.load(answer.load).name;
    let word = if answer.report.on { "off" } else { "on" };
    match change {
        Change::Spare { watts, lasting } if watts >= 0.0 => {
            format!("{watts:.0} W more to spare for {lasting} before would have had {name} {word}.")
        }
        Change::Spare { watts, lasting } => {
            format!("{:.0} W less to spare for {lasting} before would have had {name} {word}.", -watts)
        }
        Change::None => format!(
            "No change of spare power within the half hour before would have had {name} {word}: look at what was asked \
             and what holds it."
        ),
        Change::Unknown => format!(
            "What would have had {name} {word} can't be told: this home's grid is not measured as one power in watts."
        ),
    }
}

fn readings(answer: &Answer) -> String {
    let Some(balance) = &answer.balance else { return "none yet".to_owned() };
    let values = &balance.total;
    let named = [
        ("grid", values.grid_w),
        ("solar", values.solar_w),
        ("battery", values.battery_w),
        ("house", values.house_w),
        ("loads", values.loads_w),
        ("spare", values.spare_w),
    ];
    let known = named.into_iter().filter_map(|(name, value)| Some(format!("{name} {:.0} W", value?)));
    let told: Vec<String> = known.collect();
    let age = balance.at.map_or(String::new(), |at| format!("; the oldest part {} old", answer.at - at));
    if told.is_empty() { "none known".to_owned() } else { format!("{}{age}", told.join(", ")) }
}

fn asked(answer: &Answer) -> Vec<String> {
    let mut all = Vec::new();
    for rule in &answer.rules {
        let holds = answer.report.rule.as_deref() == Some(rule.rule.as_str());
        let mark = if holds { " (holds)" } else { "" };
        let why = rule.message.clone().unwrap_or_default();
        match rule.state {
            RuleState::Ok => {
                let mine = rule.requests.iter().filter(|a| a.load == answer.load);
                all.extend(
                    mine.map(|a| format!("{}{mark} {}: {}", rule.rule, request(&a.request), a.reason)),
                );
            }
            RuleState::Waiting => all.push(format!("{} waits: {why}", rule.rule)),
            RuleState::Failed => all.push(format!("{} failed: {why}", rule.rule)),
            RuleState::Suspended => all.push(format!("{} is suspended: {why}", rule.rule)),
        }
    }
    if all.is_empty() { vec!["nothing: no rule asks for it".to_owned()] } else { all }
}

fn draws(report: &LoadReport) -> String {
    let by = match report.draw_source {
        DrawSource::Meter => "its own meter",
        DrawSource::Estimate => "the grid's answer to its steps",
    };
    match report.draw_w {
        Some(watts) => format!("{watts:.0} W, by {by}"),
        None => "not known".to_owned(),
    }
}

fn decided(decision: &DecisionRow, zone: &TimeZone) -> String {
    let at = decision.at.map_or("at a time not known".to_owned(), |at| local(at, zone));
    let to = if decision.on { format!("on at {:.0} W", decision.setpoint_w) } else { "off".to_owned() };
    format!("{at}: {to}, {}", decision.reason)
}

pub(super) fn local(at: WallTime, zone: &TimeZone) -> String {
    at.in_zone(zone).map_or(at.to_rfc3339(), |z| z.strftime("%Y-%m-%d %H:%M:%S").to_string())
}

fn labelled(label: &str, told: &str) -> String {
    let indent = " ".repeat(LABEL);
    let body = wrapped(told, &indent, 80);
    format!("{label:<LABEL$}{}", body.get(LABEL..).unwrap_or_default())
}

/// The same for programs.
pub fn answer_json(home: &Home, answer: &Answer) -> Value {
    let report = &answer.report;
    let change = answer.change.map(|change| match change {
        Change::Spare { watts, lasting } => json!({ "spare_w": watts, "for_s": lasting.as_seconds() }),
        Change::None | Change::Unknown => Value::Null,
    });
    let rules = answer.rules.iter().map(|r| {
        let asked = r.requests.iter().find(|a| a.load == answer.load);
        json!({
            "rule": r.rule,
            "state": r.state,
            "message": r.message,
            "request": asked.map(|a| a.request),
            "reason": asked.map(|a| &a.reason),
        })
    });
    let mut told = json!({
        "sentence": sentence(home, answer),
        "at": answer.at.to_rfc3339(),
        "load": home.load(answer.load).id,
        "on": report.on,
        "setpoint_w": report.setpoint_w,
        "setpoint_a": report.setpoint_a,
        "draw_w": report.draw_w,
        "rule": report.rule,
        "reason": report.reason,
        "limited_by": report.limited_by.map(|l| l.word()),
        "balance": answer.balance.as_ref().map(|b| b.total),
        "rules": rules.collect::<Value>(),
        "changed": answer.changed,
        "before": answer.before,
    });
    if let Some(change) = change {
        told["change"] = change;
    }
    told
}
