//! What is published, as the contract has it: JSON with `at` and `v`, unknown is null.

use overspill_rules::home::Home;
use overspill_rules::input::About;
use overspill_rules::output::{
    Asked, BalanceReport, BalanceValues, DrawSource, LoadReport, Notice, RuleReport, RuleState,
    SettingReport, Severity,
};
use overspill_rules::request::Request;
use overspill_rules::time::{Span, WallTime};
use serde_json::{Map, Value, json};

use super::Topics;
use crate::influx::Lag;
use crate::shadow::News;

/// Version of what is published; raised when the meaning of a field changes.
pub(super) const SCHEMA: u32 = 1;

/// One message to publish.
#[derive(Debug, Clone, PartialEq)]
pub struct Publication {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: String,
    /// Whether the broker keeps it.
    pub retain: bool,
    /// What becomes of it while there is no connection.
    pub importance: Importance,
}

/// What becomes of a message while there is no connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Importance {
    /// A command: now or never, and not to be believed after this long.
    Command {
        /// For how long it may be believed.
        valid_for: Span,
    },
    /// A state: published afresh after each connection.
    State,
    /// News: dropped.
    News,
}

pub(super) fn balance(topics: &Topics, report: &BalanceReport) -> Publication {
    let mut body = stamped(report.at);
    body.extend(balance_values(&report.total));
    if !report.phases.is_empty() {
        let phases = report.phases.iter().map(|p| Value::Object(balance_values(p)));
        body.insert("phases".to_owned(), phases.collect());
    }
    state(topics.balance(), body)
}

fn balance_values(values: &BalanceValues) -> Map<String, Value> {
    let named = [
        ("grid_w", values.grid_w),
        ("solar_w", values.solar_w),
        ("battery_w", values.battery_w),
        ("house_w", values.house_w),
        ("import_w", values.import_w),
        ("export_w", values.export_w),
        ("loads_w", values.loads_w),
        ("base_w", values.base_w),
        ("spare_w", values.spare_w),
    ];
    named.into_iter().map(|(name, value)| (name.to_owned(), number(value))).collect()
}

pub(super) fn load(topics: &Topics, home: &Home, report: &LoadReport) -> Publication {
    let mut body = stamped(report.at);
    let source = match report.draw_source {
        DrawSource::Meter => "meter",
        DrawSource::Estimate => "estimate",
    };
    body.extend(object(json!({
        "on": report.on,
        "setpoint_w": number(Some(report.setpoint_w)),
        "setpoint_a": number(report.setpoint_a),
        "draw_w": number(report.draw_w),
        "draw_source": source,
        "rule": report.rule,
        "reason": report.reason,
        "limited_by": report.limited_by.map(|l| l.word()),
        "waits_until": report.waits_until.map(WallTime::to_rfc3339),
        "override_until": report.override_until.map(WallTime::to_rfc3339),
        "out_of_service": report.out_of_service,
    })));
    state(topics.load(&home.load(report.load).id), body)
}

pub(super) fn rule(topics: &Topics, home: &Home, report: &RuleReport) -> Publication {
    let mut body = stamped(report.at);
    let word = match report.state {
        RuleState::Ok => "ok",
        RuleState::Waiting => "waiting",
        RuleState::Failed => "failed",
        RuleState::Suspended => "suspended",
    };
    let requests: Vec<Value> = report.requests.iter().map(|asked| request(home, asked)).collect();
    body.extend(object(json!({
        "state": word,
        "message": report.message,
        "line": report.line,
        "column": report.column,
        "requests": requests,
    })));
    state(topics.rule(&report.rule), body)
}

fn request(home: &Home, asked: &Asked) -> Value {
    let load = &home.load(asked.load).id;
    let mut body = object(json!({ "load": load, "reason": asked.reason }));
    let (word, terms) = match &asked.request {
        Request::TakeSpare(terms) => {
            let terms = json!({
                "at_least_w": terms.at_least_w,
                "at_most_w": terms.at_most_w,
                "keep_w": terms.keep_w,
                "grid_up_to_w": terms.grid_up_to_w,
            });
            ("take_spare", terms)
        }
        Request::Run => ("run", json!({})),
        Request::RunAtW(watts) => ("run_at_w", json!({ "watts": watts })),
        Request::RunAtA(amps) => ("run_at_a", json!({ "amps": amps })),
        Request::Stop => ("stop", json!({})),
    };
    body.insert("asks".to_owned(), word.into());
    body.extend(object(terms));
    Value::Object(body)
}

pub(super) fn setting(topics: &Topics, home: &Home, report: &SettingReport) -> Publication {
    let mut body = stamped(report.at);
    body.extend(object(json!({
        "value": report.value,
        "default": report.default,
        "until": report.until.map(WallTime::to_rfc3339),
        "by": report.by,
    })));
    state(topics.setting(&home.setting(report.setting).id), body)
}

pub(super) fn notice(topics: &Topics, home: &Home, notice: &Notice) -> Publication {
    let mut body = stamped(notice.at);
    body.extend(object(json!({
        "severity": severity(notice.severity),
        "code": notice.code,
        "text": notice.text,
        "about": about(home, &notice.about),
    })));
    let payload = Value::Object(body).to_string();
    Publication { topic: topics.notice(), payload, retain: false, importance: Importance::News }
}

/// What a shadow told, on its own topic.
pub(super) fn shadow(topics: &Topics, news: News) -> Publication {
    Publication {
        topic: topics.shadow(&news.shadow),
        payload: news.body,
        retain: true,
        importance: Importance::State,
    }
}

/// How far forwarding to InfluxDB has come, as it is known at `now`.
pub(super) fn influxdb(topics: &Topics, now: WallTime, lag: &Lag) -> Publication {
    let mut body = stamped(Some(now));
    let trouble = lag.trouble.as_ref();
    body.extend(object(json!({
        "until": lag.until.map(WallTime::to_rfc3339),
        "lag_s": number(lag.span().map(Span::as_seconds)),
        "trouble": trouble.map(|(word, _)| word),
        "message": trouble.map(|(_, text)| text),
        "set_aside": lag.set_aside,
    })));
    state(topics.influxdb(), body)
}

/// The word for a severity.
pub(crate) fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Info => "info",
        Severity::Warning => "warning",
        Severity::Problem => "problem",
    }
}

fn about(home: &Home, about: &About) -> String {
    match about {
        About::Point(id) => format!("point/{}", home.point(*id).id),
        About::Input(id) => format!("input/{}", home.input(*id).id),
        About::Load(id) => format!("load/{}", home.load(*id).id),
        About::Setting(id) => format!("setting/{}", home.setting(*id).id),
        About::Rule(name) => format!("rule/{name}"),
        About::Home => "home".to_owned(),
    }
}

fn state(topic: String, body: Map<String, Value>) -> Publication {
    Publication {
        topic,
        payload: Value::Object(body).to_string(),
        retain: true,
        importance: Importance::State,
    }
}

fn stamped(at: Option<WallTime>) -> Map<String, Value> {
    object(json!({ "at": at.map(WallTime::to_rfc3339), "v": SCHEMA }))
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// A number to two decimals; a hundredth of a watt is beyond any clamp.
fn number(value: Option<f64>) -> Value {
    value.map_or(Value::Null, |v| json!((v * 100.0).round() / 100.0))
}
