//! A what-if over a year of 10 s readings with the three rules of `examples/wren`, and the bare cost of evaluating them.
//!
//! `cargo run --release -p overspill-tests --bin replay-bench [DAYS]`
#![allow(clippy::print_stdout)]

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Instant;

use overspill_rules::home::{
    CountedBy, Fallback, Home, Kind, Load, LoadId, Measures, Netting, OnMove, Point, PointId, Positive,
    SendAs, Side, Supply, Unit,
};
use overspill_rules::input::{Input, Reading, RuleSet, RuleSource};
use overspill_rules::kept::Kept;
use overspill_rules::script::{BALANCE_NAMES, Known, LoadLog, LoadMark, LoadView, Program, RuleMemory, View};
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_rules::whatif::{Account, Assumptions, Need, WhatIf};

type Failure = Box<dyn std::error::Error>;

/// 2008-01-01T00:00:00Z.
const BEGINS: i64 = 1_199_145_600_000;
const DAY_MS: i64 = 86_400_000;
const STEP_MS: i64 = 10_000;
const YEAR: &str = include_str!("../../data/year_2008_30min.csv");

fn main() -> Result<(), Failure> {
    let days: i64 = std::env::args().nth(1).map_or(Ok(365), |text| text.parse())?;
    let house = half_hours()?;
    let bare_ns = bare()?;
    let began = Instant::now();
    let (account, decisions) = replay(&house, days)?;
    let took_s = began.elapsed().as_secs_f64();
    let steps = days * DAY_MS / STEP_MS;
    let step_ns = took_s * 1e9 / steps as f64;
    println!(
        "{steps} steps of 10 s, {decisions} decisions: {took_s:.1} s, {:.0} steps a second",
        steps as f64 / took_s
    );
    println!(
        "a step {step_ns:.0} ns; the three scripts alone {bare_ns:.0} ns; {:.2} times that",
        step_ns / bare_ns
    );
    let kwh = |f: &overspill_rules::whatif::Flows| (f.import_kwh(), f.export_kwh());
    println!(
        "import, export in kWh: loads off {:?}, replayed {:?}",
        kwh(&account.off),
        kwh(&account.replayed)
    );
    Ok(())
}

/// Half-hourly means of the house and of the roof, in watts.
fn half_hours() -> Result<Vec<(f64, f64)>, Failure> {
    let rows = YEAR.lines().skip(1).map(|line| {
        let mut cells = line.split(',').skip(1);
        let mut watts = || -> Result<f64, Failure> {
            let cell = cells.next().ok_or("a row is too short")?;
            // The roof's month without a record counts as dark.
            Ok(if cell.is_empty() { 0.0 } else { cell.parse::<f64>()? * 2000.0 })
        };
        Ok((watts()?, watts()?))
    });
    rows.collect()
}

/// A straight line between the middles of half hours, and a clamp's noise.
fn at(house: &[(f64, f64)], ms: i64, noise: f64) -> (f64, f64) {
    let place = ms as f64 / 1_800_000.0;
    let (first, share) = (place.floor() as usize, place.fract());
    let of = |i: usize| house.get(i).copied().unwrap_or_default();
    let ((a, b), (c, d)) = (of(first), of(first + 1));
    let rough = 1.0 + 0.01 * (noise - 0.5);
    ((a + (c - a) * share) * rough, (b + (d - b) * share) * rough)
}

fn replay(house: &[(f64, f64)], days: i64) -> Result<(Account, u64), Failure> {
    let home = Arc::new(home());
    let each_day = |hour: i64, wh: f64, evenly: bool| -> Vec<Need> {
        let begin = |day: i64| Moment(BEGINS + day * DAY_MS + hour * 3_600_000);
        (-1..days).map(|day| Need { from: begin(day), to: begin(day + 1), wh, evenly }).collect()
    };
    let needs =
        BTreeMap::from([(LoadId(0), each_day(12, 8000.0, false)), (LoadId(1), each_day(0, 6000.0, true))]);
    let assumed = Assumptions { needs, ratios: BTreeMap::new() };
    let mut what_if = WhatIf::new(&home, rules(), Kept::default(), &assumed, WallTime(BEGINS));
    let mut seed = 1_u32;
    for step in 0..days * DAY_MS / STEP_MS {
        let ms = step * STEP_MS;
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let (house_w, solar_w) = at(house, ms, f64::from(seed >> 8) / f64::from(1 << 24));
        let stamp = WallTime(BEGINS + ms);
        what_if.input(stamp, &reading(1, solar_w.round()));
        what_if.input(stamp, &reading(0, (house_w - solar_w).round()));
    }
    what_if.end(WallTime(BEGINS + days * DAY_MS));
    Ok((what_if.account(), what_if.decisions()))
}

/// Nanoseconds of one evaluation of all three scripts, on the mean of a day: they do more by night than at noon.
fn bare() -> Result<f64, Failure> {
    const DAYS: u32 = 800;
    let home = home();
    let compiled = Program::compile(&home, &rules());
    if let Some(fault) = compiled.faults.first() {
        return Err(fault.to_string().into());
    }
    let log = Arc::new(two_days());
    let views: Vec<Arc<View>> =
        (0..DAY_MS / MARK_MS).map(|n| Arc::new(view(&home, &log, BEGINS + DAY_MS + n * MARK_MS))).collect();
    let memory = RuleMemory::default();
    let began = Instant::now();
    for view in (0..DAYS).flat_map(|_| &views) {
        for rule in 0..compiled.program.rules().len() {
            std::hint::black_box(compiled.program.run(rule, view, &memory));
        }
    }
    Ok(began.elapsed().as_secs_f64() * 1e9 / (f64::from(DAYS) * views.len() as f64))
}

/// Marks stand five minutes apart.
const MARK_MS: i64 = 300_000;

/// What a load did on the day before and on the day that is looked at.
fn two_days() -> LoadLog {
    let mark = |n: i64| LoadMark {
        at: WallTime(BEGINS + n * MARK_MS),
        energy_kwh: n as f64 * 0.01,
        run_time: Span::minutes(n),
    };
    LoadLog { marks: (0..2 * DAY_MS / MARK_MS).map(mark).collect() }
}

fn view(home: &Home, log: &Arc<LoadLog>, now: i64) -> View {
    let known = Known { value: Some(900.0), age: Some(Span::seconds(2)) };
    let load = LoadView {
        on: true,
        setpoint_w: 1380.0,
        draw_w: Some(1380.0),
        plugged: None,
        since: Span::minutes(7),
        energy_kwh: 8.0,
        run_time: Span::hours(2),
        log: Arc::clone(log),
    };
    View {
        now: Moment(now),
        wall: Some(WallTime(now)),
        zone: home.timezone.clone(),
        balance: [known; BALANCE_NAMES.len()],
        points: vec![known; home.points.len()],
        inputs: Vec::new(),
        loads: vec![load; home.loads.len()],
        settings: Vec::new(),
        prices: Arc::default(),
    }
}

fn rules() -> RuleSet {
    let rule = |name: &str, text: &str| RuleSource { name: name.to_owned(), text: text.to_owned() };
    let rules = vec![
        rule("busy", include_str!("../../../examples/wren/rules/busy.rhai")),
        rule("car", include_str!("../../../examples/wren/rules/car.rhai")),
        rule("water", include_str!("../../../examples/wren/rules/water.rhai")),
    ];
    RuleSet { rules, library: Vec::new() }
}

fn reading(point: u16, value: f64) -> Input {
    Input::Reading(Reading { point: PointId(point), extra: None, value, device_time: None, retained: false })
}

fn home() -> Home {
    let point = |id: &str, measures: Measures, positive: Positive| Point {
        id: id.to_owned(),
        measures,
        unit: Unit::W,
        positive,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::seconds(30),
        gap_after: None,
        interval: Some(Span::seconds(10)),
        plausible: None,
        power_factor: 1.0,
        extras: Vec::new(),
    };
    let points = vec![
        point("grid", Measures::Grid(Side::Both), Positive::Import),
        point("solar", Measures::Solar, Positive::Generation),
    ];
    Home {
        id: "wren".to_owned(),
        name: "Wren Cottage".to_owned(),
        timezone: jiff::tz::TimeZone::get("Europe/London").unwrap_or(jiff::tz::TimeZone::UTC),
        coordinates: None,
        supply: Supply {
            phases: 1,
            netting: Netting::Sum,
            volts: 230.0,
            rating_a: 60.0,
            export_limit_w: None,
        },
        circuits: Vec::new(),
        settings: Vec::new(),
        tariff: None,
        points,
        inputs: Vec::new(),
        loads: vec![
            load("car", Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 }, 30),
            load("water", Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 }, 5),
        ],
        battery: None,
        blind_a: None,
        restart_gap: Span::ZERO,
    }
}

fn load(id: &str, kind: Kind, settle_s: i64) -> Load {
    Load {
        id: id.to_owned(),
        name: id.to_owned(),
        kind,
        send: SendAs::Watts,
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
        device_timeout: Some(Span::minutes(2)),
        settle: Span::seconds(settle_s),
        ramp_w_per_s: None,
        fallback: Fallback::Off,
        unattended: false,
        too_hot: None,
        heats_water: overspill_rules::home::HeatsWater::NotSaid,
        own_sun_first: false,
        on_move: OnMove::Tell,
        reports_plugged: false,
        reports_ready: false,
    }
}
