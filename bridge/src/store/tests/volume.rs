//! How much a day of the contract's home puts on the disk.

use overspill_rules::output::{Asked, BalanceReport, BalanceValues, EnergyRow, Flow, Seen};
use overspill_rules::request::{Request, SpareTerms};
use overspill_rules::script::LoadMark;
use overspill_rules::time::Span;
use tempfile::tempdir;

use super::super::Keep;
use super::*;

/// One day: grid and solar every 10 s (apart, as devices send), the balance at each grid reading, a wake-up in between,
/// the heater following the sun for 8 hours at every third reading, 40 decisions.
fn ten_seconds(handle: &StoreHandle, i: i64) {
    let at = i * 10_000;
    let wave = ((i % 977) as f64 * 1.7).round();
    let solar =
        Reading { point: PointId(1), extra: None, value: 2000.0 + wave, device_time: None, retained: false };
    handle.input(stamp(at, i as u64 * 3), &Input::Reading(solar));
    handle.input(stamp(at + 3300, i as u64 * 3 + 1), &grid(-500.0 + wave));
    handle.output(stamp(at + 3300, i as u64 * 3 + 1), &Output::Balance(balance(wave)));
    handle.input(stamp(at + 8300, i as u64 * 3 + 2), &Input::Wake);
    let day = (2880..5760).contains(&i);
    if day && i % 3 == 0 {
        let watts = (wave / 10.0).round() * 10.0;
        handle.output(
            stamp(at + 3300, i as u64 * 3 + 1),
            &Output::Record(Record::Setpoint { load: WATER, watts }),
        );
    }
    if i % 216 == 0 {
        handle.output(stamp(at + 3300, i as u64 * 3 + 1), &full_decision());
    }
    if i % 30 == 0 {
        let mark = LoadMark { at: WallTime(NOON + at), energy_kwh: i as f64 * 0.001, run_time: Span(at) };
        handle.output(stamp(at, i as u64 * 3), &Output::Record(Record::LoadMark { load: CAR, mark }));
    }
    if i % 180 == 0 {
        for flow in [Flow::Import, Flow::Export, Flow::Solar, Flow::House, Flow::Load(CAR)] {
            let start = WallTime(NOON + at);
            let row = EnergyRow {
                flow,
                start,
                kwh: wave / 1234.0,
                covered_s: 1800.0,
                provisional: false,
                peak: None,
            };
            handle.output(stamp(at, i as u64 * 3), &Output::Record(Record::Energy(row)));
        }
    }
}

fn balance(wave: f64) -> BalanceReport {
    let total = BalanceValues {
        grid_w: Some(-500.0 + wave),
        solar_w: Some(2000.0 + wave),
        house_w: Some(1500.0 + wave),
        import_w: Some(0.0),
        export_w: Some(500.0 - wave),
        loads_w: Some(wave),
        base_w: Some(1500.0),
        spare_w: Some(500.0),
        battery_w: None,
    };
    BalanceReport { at: Some(WallTime(NOON)), total, phases: Vec::new(), flows: None }
}

fn full_decision() -> Output {
    let asked = Asked {
        rule: "car".to_owned(),
        load: CAR,
        request: Request::TakeSpare(SpareTerms::default()),
        reason: "spare solar".to_owned(),
    };
    let seen = |name: &str| Seen { name: name.to_owned(), value: Some(1234.0), age: Some(Span(400)) };
    match decision(CAR, true) {
        Output::Record(Record::Decision(mut d)) => {
            d.requests = vec![asked];
            d.readings = vec![seen("grid_w"), seen("solar_w"), seen("spare_w")];
            Output::Record(Record::Decision(d))
        }
        other => other,
    }
}

/// Bytes that this process has handed to the system for writing; other tests that run beside would be counted too.
fn written() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/io").ok()?;
    text.lines().find_map(|l| l.strip_prefix("wchar: ")).and_then(|n| n.parse().ok())
}

/// Sizes after `steps` of 10 s with a commit each: of the file, and of all writes.
fn measure(steps: std::ops::Range<i64>) -> (u64, Option<u64>) {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let before = written();
    for i in steps {
        db.write(&taken(|h| ten_seconds(h, i))).unwrap();
        while db.seal_step(&Keep::default()).unwrap() {}
    }
    let after = written();
    db.give_back_room();
    drop(db);
    let file = std::fs::metadata(&path).unwrap().len();
    (file, before.zip(after).map(|(before, after)| after - before))
}

#[test]
#[ignore = "a measurement of 20 s, to be run alone: cargo test -p overspill --lib a_whole_day -- --ignored --nocapture"]
fn a_whole_day_measured() {
    let (file, written) = measure(0..8640);
    println!("file after a day: {file} bytes, {:.1} for each sample", file as f64 / (2.0 * 8640.0));
    println!("written in a day, one commit every 10 s: {} bytes", written.unwrap_or(0));
}

#[test]
fn an_hour_of_the_contracts_home_stays_small() {
    let (file, _) = measure(2880..3240);
    // Measured: an empty store is about 40 kB; an hour that is not over yet stays rows, which take 110 kB.
    assert!(file < 170_000, "{file}");
}
