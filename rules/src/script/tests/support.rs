//! A home, a view of it and a short way to run one rule.

use std::sync::Arc;

use jiff::tz::TimeZone;
use rust_decimal::Decimal;

use crate::home::{
    CountedBy, Fallback, Home, Kind, Load, Measures, Netting, OnMove, OtherInput, Point, Positive, SendAs,
    Setting, SettingValue, Side, Supply, Takes, Unit,
};
use crate::input::{RuleSet, RuleSource};
use crate::request::Request;
use crate::script::{Compiled, Known, LoadLog, LoadView, Program, RuleMemory, RuleRun, RunOutcome, View};
use crate::tariff::{ExportPrice, ImportPrice, Tariff, Terms};
use crate::time::{Moment, Span, WallTime};

pub(crate) fn home() -> Home {
    Home {
        id: "wren".into(),
        name: "Wren Cottage".into(),
        timezone: london(),
        coordinates: Some((51.5, -0.12)),
        supply: Supply {
            phases: 1,
            netting: Netting::Sum,
            volts: 230.0,
            rating_a: 60.0,
            export_limit_w: None,
        },
        circuits: vec![],
        points: vec![
            point("grid", Measures::Grid(Side::Both), Positive::Import),
            point("solar", Measures::Solar, Positive::Generation),
        ],
        inputs: vec![OtherInput {
            id: "tank_c".into(),
            unit: None,
            stale_after: Span::minutes(5),
            plausible: None,
            scale: 1.0,
        }],
        settings: vec![ready_by()],
        tariff: Some(Tariff::new("GBP".into(), terms(), vec![])),
        loads: vec![
            load("car", Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 }, SendAs::Amps),
            load("water", Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 }, SendAs::Watts),
        ],
        battery: None,
        blind_a: None,
        restart_gap: Span::seconds(30),
    }
}

fn terms() -> Terms {
    Terms {
        vat_percent: Decimal::ZERO,
        standing_per_day: Decimal::ZERO,
        import: ImportPrice::Flat(Decimal::new(28, 2)),
        export: ExportPrice::Flat(Decimal::new(15, 2)),
        generation: Decimal::ZERO,
    }
}

fn ready_by() -> Setting {
    Setting {
        id: "ready_by".into(),
        name: "Car ready by".into(),
        description: None,
        takes: Takes::Time,
        default: SettingValue::Text("07:00".into()),
        expires_after: None,
    }
}

fn london() -> TimeZone {
    TimeZone::get("Europe/London").unwrap()
}

fn point(id: &str, measures: Measures, positive: Positive) -> Point {
    Point {
        id: id.into(),
        measures,
        unit: Unit::W,
        positive,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::seconds(30),
        gap_after: None,
        interval: None,
        plausible: None,
        power_factor: 1.0,
        extras: vec![],
    }
}

pub(crate) fn load(id: &str, kind: Kind, send: SendAs) -> Load {
    Load {
        id: id.into(),
        name: id.into(),
        kind,
        send,
        phases: 1,
        phase: 1,
        turn: 1,
        circuit: None,
        counted_by: CountedBy::Main,
        start_after: Span::seconds(60),
        stop_after: Span::minutes(3),
        raise_after: Span::seconds(30),
        min_on: Span::minutes(5),
        min_off: Span::minutes(5),
        refresh: Span::seconds(30),
        device_timeout: None,
        settle: Span::seconds(30),
        ramp_w_per_s: None,
        fallback: Fallback::Off,
        unattended: true,
        too_hot: None,
        heats_water: crate::home::HeatsWater::NotSaid,
        own_sun_first: false,
        on_move: OnMove::Tell,
        reports_plugged: id == "car",
        reports_ready: false,
    }
}

/// A view in which everything is known: half past one on a summer afternoon, 2 kW going out.
pub(crate) fn view() -> View {
    let known = |value| Known { value: Some(value), age: Some(Span::seconds(2)) };
    View {
        now: Moment(1_000_000),
        wall: Some(wall("2026-06-06T12:30:00Z")),
        zone: london(),
        balance: [-2000.0, 2500.0, 0.0, 500.0, 0.0, 2000.0, 0.0, 500.0, 2000.0].map(known),
        points: vec![known(-2000.0), known(2500.0)],
        inputs: vec![known(48.5)],
        loads: vec![load_view(false, 0.0), load_view(true, 1000.0)],
        prices: Arc::default(),
        settings: vec![SettingValue::Text("07:00".into())],
    }
}

pub(crate) fn load_view(on: bool, setpoint_w: f64) -> LoadView {
    LoadView {
        on,
        setpoint_w,
        draw_w: Some(setpoint_w * 0.9),
        plugged: Some(true),
        since: Span::minutes(12),
        energy_kwh: 10.0,
        run_time: Span::hours(3),
        log: Arc::new(LoadLog::default()),
    }
}

pub(crate) fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}

pub(crate) fn unknown(age: Option<i64>) -> Known {
    Known { value: None, age: age.map(Span::seconds) }
}

pub(crate) fn set(rule: &str, library: &[(&str, &str)]) -> RuleSet {
    let source = |name: &str, text: &str| RuleSource { name: name.into(), text: text.into() };
    RuleSet {
        rules: vec![source("test", rule)],
        library: library.iter().map(|(n, t)| source(n, t)).collect(),
    }
}

pub(crate) fn compile(rule: &str) -> Compiled {
    Program::compile(&home(), &set(rule, &[]))
}

/// Compiles a whole rule that must be without fault.
pub(crate) fn program(rule: &str) -> Program {
    let compiled = compile(rule);
    assert!(compiled.faults.is_empty(), "{}", faults(&compiled));
    compiled.program
}

pub(crate) fn faults(compiled: &Compiled) -> String {
    compiled.faults.iter().map(|f| format!("{f}\n")).collect()
}

/// A rule with `body` in `decide`.
pub(crate) fn rule(body: &str) -> String {
    format!("fn decide(home) {{\n{body}\n}}\n")
}

pub(crate) fn run_with(body: &str, view: View) -> RuleRun {
    program(&rule(body)).run(0, &Arc::new(view), &RuleMemory::default())
}

pub(crate) fn run(body: &str) -> RuleRun {
    run_with(body, view())
}

/// What an evaluation asks; panics where it does not come to its end.
pub(crate) fn requests(run: RuleRun) -> Vec<(u16, Request, String)> {
    match run.outcome {
        RunOutcome::Asked { requests, .. } => requests.into_iter().map(|(l, r, why)| (l.0, r, why)).collect(),
        other => panic!("{other:?}"),
    }
}

/// How an evaluation ended, in one text.
pub(crate) fn told(run: &RuleRun) -> String {
    match &run.outcome {
        RunOutcome::Asked { requests, .. } => {
            let each = requests.iter().map(|(l, r, why)| format!("load {}: {r:?} \"{why}\"", l.0));
            format!("asked {}", each.collect::<Vec<_>>().join("; "))
        }
        RunOutcome::Waiting { why } => format!("waiting: {why}"),
        RunOutcome::Failed(fault) => format!("failed: {fault}"),
    }
}

/// The value of an expression, by way of a request of so many watts.
pub(crate) fn value_with(expression: &str, view: View) -> f64 {
    let body = format!("let value = {expression}; home.load(\"car\").run_at_w(value, \"value\");");
    match requests(run_with(&body, view)).as_slice() {
        [(_, Request::RunAtW(watts), _)] => *watts,
        other => panic!("{other:?}"),
    }
}

pub(crate) fn value(expression: &str) -> f64 {
    value_with(expression, view())
}

/// The text that an expression gives, by way of the reason of a request.
pub(crate) fn text_with(expression: &str, view: View) -> String {
    let body = format!("home.load(\"car\").run({expression});");
    requests(run_with(&body, view)).remove(0).2
}

/// Whether an expression holds.
pub(crate) fn holds_with(expression: &str, view: View) -> bool {
    let body = format!("if {expression} {{ home.load(\"car\").run(\"yes\"); }}");
    !requests(run_with(&body, view)).is_empty()
}

pub(crate) fn holds(expression: &str) -> bool {
    holds_with(expression, view())
}
