//! What a new run knows of the former one.

use std::collections::{BTreeMap, BTreeSet};

use overspill_rules::home::{SettingId, SettingValue};
use overspill_rules::input::{Input, RuleSet, RuleSource};
use overspill_rules::kept::{Kept, KeptMemory};
use overspill_rules::limits::OVERRIDE_IDS;
use overspill_rules::output::{EnergyRow, Flow, HeldOverride, HeldSetting, PeakReading};
use overspill_rules::script::{LoadLog, LoadMark};
use overspill_rules::time::Span;
use tempfile::tempdir;

use super::super::KeptShadow;
use super::*;

fn record(record: Record) -> Output {
    Output::Record(record)
}

fn named<T>(name: &str, value: T) -> BTreeMap<String, T> {
    BTreeMap::from([(name.to_owned(), value)])
}

fn mark(hours: i64) -> LoadMark {
    LoadMark {
        at: WallTime(NOON) + Span::hours(hours),
        energy_kwh: hours as f64 / 10.0,
        run_time: Span::minutes(hours),
    }
}

#[test]
fn a_new_store_knows_nothing() {
    let folder = tempdir().unwrap();
    assert_eq!(open(&folder.path().join("wren.db")).1, Restored::default());
}

#[test]
fn what_held_is_restored_and_what_ended_is_not() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let held = HeldOverride { on: true, watts: Some(900.5), until: WallTime(NOON + 5), by: None };
    let memory = KeptMemory { version: 3, json: "{\"a\":1}".to_owned() };
    let ready = HeldSetting {
        value: SettingValue::Text("06:30".to_owned()),
        until: Some(WallTime(NOON + 9)),
        by: Some("Ann".to_owned()),
    };
    let rules = RuleSet {
        rules: vec![RuleSource { name: "car".to_owned(), text: "fn decide(home) {}".to_owned() }],
        library: Vec::new(),
    };
    let (mut db, _) = open(&path);
    let by = Some("Bo".to_owned());
    let first = [
        Record::Override { load: WATER, held: Some(held.clone()) },
        Record::OutOfService { load: CAR, by: by.clone() },
        Record::Learnt { load: CAR, ratio: 2.0 },
    ];
    let second = [
        Record::Override { load: CAR, held: Some(held.clone()) },
        Record::Override { load: WATER, held: None },
        Record::OutOfService { load: CAR, by: None },
        Record::OutOfService { load: WATER, by },
        Record::Learnt { load: CAR, ratio: 2.9 },
        Record::Memory { rule: "car".to_owned(), version: 3, json: memory.json.clone() },
        Record::Setting { setting: SettingId(0), held: Some(ready.clone()) },
        Record::OverrideId("b".to_owned()),
        Record::OverrideId("a".to_owned()),
        Record::LoadMark { load: CAR, mark: mark(0) },
        Record::LoadMark { load: CAR, mark: mark(1) },
    ];
    for batch in [&first[..], &second[..]] {
        let write = taken(|h| batch.iter().for_each(|r| h.output(stamp(7000, 1), &record(r.clone()))));
        db.write(&write).unwrap();
    }
    let shadow = |at, books: &str| KeptShadow {
        since: WallTime(NOON),
        at: WallTime(NOON + at),
        mark: "0a".to_owned(),
        books: books.to_owned(),
        memory: "{}".to_owned(),
    };
    db.write(&taken(|h| h.keep_shadow("eager", shadow(1, "{\"a\":1}")))).unwrap();
    db.write(&taken(|h| {
        h.keep_shadow("eager", shadow(2, "{\"a\":2}"));
        h.keep_good_rules(&rules);
        h.input(stamp(8000, 2), &Input::Wake);
    }))
    .unwrap();
    drop(db);

    let (_, restored) = open(&path);
    let kept = Kept {
        ratios: named("car", 2.9),
        memory: named("car", memory),
        overrides: named("car", held),
        settings: named("ready_by", ready),
        out_of_service: named("water", "Bo".to_owned()),
        off_since: BTreeMap::new(),
        left_on: BTreeSet::new(),
        logs: named("car", LoadLog { marks: vec![mark(0), mark(1)] }),
        override_ids: vec!["b".to_owned(), "a".to_owned()],
    };
    let last_entry = Some(WallTime(NOON + 8000));
    let shadows = named("eager", shadow(2, "{\"a\":2}"));
    assert_eq!(restored, Restored { kept, last_entry, last_good_rules: Some(rules), shadows });
}

#[test]
fn a_setting_that_returned_to_its_default_is_not_restored() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let held = |value| HeldSetting { value, until: None, by: None };
    for held in [Some(held(SettingValue::Number(2.5))), Some(held(SettingValue::Flag(true))), None] {
        let change = Record::Setting { setting: SettingId(0), held };
        db.write(&taken(|h| h.output(stamp(7000, 1), &record(change.clone())))).unwrap();
    }
    drop(db);
    assert_eq!(open(&path).1.kept.settings, BTreeMap::new());
}

#[test]
fn off_since_is_when_it_went_off_not_when_that_was_repeated() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| {
        h.output(stamp(0, 0), &decision(CAR, true));
        h.output(stamp(0, 0), &decision(WATER, false));
        h.output(stamp(1000, 1), &decision(CAR, false));
        h.output(stamp(2000, 2), &decision(CAR, false));
    }))
    .unwrap();
    drop(db);
    let (_, restored) = open(&path);
    assert_eq!(restored.kept.off_since, named("car", WallTime(NOON + 1000)), "water never was on");
}

#[test]
fn a_load_that_was_on_when_the_journal_ends_was_left_on() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| {
        h.output(stamp(0, 0), &decision(CAR, true));
        h.output(stamp(0, 0), &decision(WATER, true));
        h.output(stamp(9000, 1), &decision(WATER, false));
    }))
    .unwrap();
    drop(db);
    let kept = open(&path).1.kept;
    assert_eq!(kept.left_on, BTreeSet::from(["car".to_owned()]));
    assert_eq!(kept.off_since, named("water", WallTime(NOON + 9000)));
}

#[test]
fn only_the_newest_override_ids_and_two_days_of_marks_are_kept() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    for i in 0..OVERRIDE_IDS + 10 {
        let id = record(Record::OverrideId(format!("id-{i}")));
        db.write(&taken(|h| h.output(stamp(0, 0), &id))).unwrap();
    }
    let marks = |hours: &[i64]| {
        let each: Vec<_> = hours.iter().map(|h| Record::LoadMark { load: CAR, mark: mark(*h) }).collect();
        taken(|h| each.into_iter().for_each(|r| h.output(stamp(0, 0), &record(r))))
    };
    db.write(&marks(&[0, 1, 2, 50])).unwrap();
    drop(db);
    let (mut db, restored) = open(&path);
    assert_eq!(restored.kept.override_ids.len(), OVERRIDE_IDS);
    assert_eq!(restored.kept.override_ids.first().map(String::as_str), Some("id-10"));
    assert_eq!(restored.kept.logs["car"].marks, [mark(1), mark(2), mark(50)]);

    // A clock that was put back: the mark from the future goes.
    db.write(&marks(&[50, 49])).unwrap();
    drop(db);
    assert_eq!(open(&path).1.kept.logs["car"].marks, [mark(1), mark(2), mark(49)]);
}

#[test]
fn once_the_clock_is_believed_the_run_gets_its_times() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| h.input(undated(500, 0), &grid(1.0)))).unwrap();
    drop(db);
    let (mut db, restored) = open(&path);
    assert_eq!(restored.last_entry, None, "a run that never knew the time says nothing of it");

    let provisional = |start: i64, kwh| {
        let row = EnergyRow {
            flow: Flow::Import,
            start: WallTime(start),
            kwh,
            covered_s: 1000.0,
            provisional: true,
            peak: None,
        };
        record(Record::Energy(row))
    };
    let half_hour = 1_800_000;
    // The machine thinks it is 1970; its half hours are not those of the real clock.
    db.write(&taken(|h| {
        h.input(undated(0, 0), &Input::ClockSet { offset_ms: 100_000, believed: false });
        h.input(undated(1000, 1), &grid(2.0));
        h.output(undated(1000, 1), &provisional(0, 0.25));
        h.output(undated(1000, 1), &provisional(half_hour, 0.5));
    }))
    .unwrap();
    let read = reader(&path);
    assert_eq!(read.samples("point.grid", EVER.0, EVER.1).unwrap(), []);
    assert_eq!(read.half_hours(EVER.0, EVER.1).unwrap(), []);

    let believed = EnergyRow {
        flow: Flow::Import,
        start: WallTime(NOON + half_hour),
        kwh: 1.0,
        covered_s: 1800.0,
        provisional: false,
        peak: None,
    };
    db.write(&taken(|h| {
        h.input(undated(2000, 2), &Input::ClockSet { offset_ms: NOON + 200_000, believed: true });
        h.input(stamp(3000, 3), &grid(3.0));
        // What was running when the clock was set still tells the old time.
        h.output(undated(2000, 2), &provisional(2 * half_hour, 0.125));
        h.output(stamp(3000, 3), &record(Record::Energy(believed)));
    }))
    .unwrap();
    let found = read.samples("point.grid", EVER.0, EVER.1).unwrap();
    let dated: Vec<_> = found.iter().map(|s| (s.at.0 - NOON, s.value.unwrap())).collect();
    assert_eq!(dated, [(3000, 3.0), (201_000, 2.0)], "the former run stays undated");
    let energy = read.half_hours(EVER.0, EVER.1).unwrap();
    let rows: Vec<_> = energy.iter().map(|e| (e.start.0 - NOON, e.kwh, e.covered_s)).collect();
    assert_eq!(
        rows,
        [(0, 0.25, 1000.0), (half_hour, 1.5, 1800.0), (2 * half_hour, 0.125, 1000.0)],
        "nothing is lost where both meet"
    );
}

#[test]
fn the_greatest_reading_of_a_half_hour_is_that_of_any_part_of_it() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let row = |peak: Option<(f64, i64)>| {
        let peak = peak.map(|(watts, after)| PeakReading { watts, at: WallTime(NOON + after) });
        let row = EnergyRow {
            flow: Flow::Solar,
            start: WallTime(NOON),
            kwh: 0.25,
            covered_s: 300.0,
            provisional: false,
            peak,
        };
        record(Record::Energy(row))
    };
    // Two parts of one run, one without a reading, and a part of another run.
    for parts in
        [&[Some((700.0, 1000)), Some((900.0, 2000)), None, Some((800.0, 3000))][..], &[Some((850.0, 4000))]]
    {
        let (mut db, _) = open(&path);
        let all = taken(|h| parts.iter().for_each(|peak| h.output(stamp(0, 0), &row(*peak))));
        db.write(&all).unwrap();
    }
    let mut found = Vec::new();
    reader(&path)
        .each_half_hour(EVER.0, EVER.1, &["solar"], |_, start, cell| found.push((start, cell)))
        .unwrap();
    assert_eq!(found.len(), 1);
    let peak = found[0].1.peak.unwrap();
    assert_eq!((peak.watts, peak.at, found[0].1.kwh), (900.0, WallTime(NOON + 2000), 1.25));
}

#[test]
fn the_parts_of_a_half_hour_add_up() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let row = |kwh| {
        let row = EnergyRow {
            flow: Flow::Solar,
            start: WallTime(NOON),
            kwh,
            covered_s: 600.0,
            provisional: false,
            peak: None,
        };
        record(Record::Energy(row))
    };
    // Two parts in one run, where the clock was set in between, and one in the next run.
    for kwh in [&[0.25, 0.5][..], &[1.0][..]] {
        let (mut db, _) = open(&path);
        db.write(&taken(|h| kwh.iter().for_each(|k| h.output(stamp(0, 0), &row(*k))))).unwrap();
    }
    let found = reader(&path).half_hours(EVER.0, EVER.1).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].kwh, found[0].covered_s), (1.75, 1800.0));
}
