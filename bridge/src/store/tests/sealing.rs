//! Sealed or not, the same is read.

use overspill_rules::home::{ExtraKind, InputId};
use overspill_rules::input::{OtherReading, RuleSet};
use overspill_rules::output::{BalanceReport, BalanceValues, EnergyRow, Flow, Notice, Severity};
use overspill_rules::time::Span;
use proptest::prelude::*;
use tempfile::tempdir;

use super::super::{Journalled, Keep, Sample, TickEntries};
use super::*;

const HOUR: i64 = 3_600_000;

/// Everything that reading gives, of a journal with the small home.
#[derive(Debug, PartialEq)]
pub(super) struct Seen {
    inputs: Vec<String>,
    samples: Vec<Vec<(Sample, Option<u64>)>>,
    balance: Vec<String>,
    setpoints: Vec<String>,
    decisions: usize,
    feed: Vec<String>,
    series: Vec<String>,
    first_and_last: String,
    last_entry: Option<WallTime>,
}

/// Numbers as their bits, since "not a number" is equal to nothing.
fn journalled(entry: &Journalled) -> String {
    match &entry.input {
        Ok(Input::Reading(r)) => format!("{} {:?} {:?} {:x}", entry.run, entry.stamp, r, r.value.to_bits()),
        Ok(Input::Other(r)) => format!("{} {:?} {:?} {:x}", entry.run, entry.stamp, r, r.value.to_bits()),
        _ => format!("{entry:?}"),
    }
}

pub(super) fn seen(path: &Path, (from, to): (WallTime, WallTime)) -> Seen {
    let read = reader(path);
    let mut inputs = Vec::new();
    read.inputs(&home(), from, to, |e| inputs.push(journalled(&e))).unwrap();
    let series = read.series().unwrap();
    let samples = series.iter().map(|s| {
        let all = read.samples(s, from, to).unwrap();
        all.into_iter().map(|s| (s, s.value.map(f64::to_bits))).collect()
    });
    Seen {
        inputs,
        samples: samples.collect(),
        balance: read.balance(from, to).unwrap().iter().map(|b| format!("{b:?}")).collect(),
        setpoints: read.setpoints("water", from, to).unwrap().iter().map(|s| format!("{s:?}")).collect(),
        decisions: read.decisions("car", from, to).unwrap().len(),
        feed: feed(&read, 7).iter().map(|e| format!("{e:?}")).collect(),
        first_and_last: format!("{:?}", read.extent().unwrap()),
        last_entry: super::super::restore::restore(&read.conn).unwrap().last_entry,
        series,
    }
}

/// All that is passed on, so many stamps at a time.
fn feed(read: &StoreReader, limit: usize) -> Vec<TickEntries> {
    let mut all: Vec<TickEntries> = Vec::new();
    loop {
        let more = read.after(all.last().map_or(0, |e| e.tick), limit).unwrap();
        assert!(more.len() <= limit);
        if more.is_empty() {
            return all;
        }
        all.extend(more);
    }
}

fn seal_all(db: &mut Db) -> usize {
    (0..).take_while(|_| db.seal_step(&Keep::default()).unwrap()).count()
}

fn count(db: &Db, table: &str) -> i64 {
    db.conn.query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0)).unwrap()
}

/// What may happen in one moment.
#[derive(Debug, Clone)]
pub(super) enum Happening {
    Grid(f64),
    Volts(f64, Option<i64>, bool),
    Tank(f64, Option<i64>, bool),
    Wake,
    Reconnected,
    Rules,
    Balance(f64, f64, f64),
    Setpoint(f64),
    Decision,
    Notice,
    /// The wall clock jumps by so much.
    Clock(i64),
    /// The daemon is started again.
    Restart,
}

pub(super) fn hand_over(handle: &StoreHandle, stamp: Stamp, what: &Happening) {
    use Happening as H;
    match what {
        H::Grid(v) => handle.input(stamp, &grid(*v)),
        H::Volts(value, device, retained) => {
            let (device_time, extra) = (device.map(WallTime), Some(ExtraKind::Volts));
            let reading =
                Reading { point: PointId(1), extra, value: *value, device_time, retained: *retained };
            handle.input(stamp, &Input::Reading(reading));
        }
        H::Tank(value, device, retained) => {
            let device_time = device.map(WallTime);
            let reading = OtherReading { input: InputId(0), value: *value, device_time, retained: *retained };
            handle.input(stamp, &Input::Other(reading));
        }
        H::Wake => handle.input(stamp, &Input::Wake),
        H::Reconnected => handle.input(stamp, &Input::Reconnected),
        H::Rules => handle.input(stamp, &Input::Rules(RuleSet::default())),
        H::Balance(grid, solar, loads) => handle.output(stamp, &balance(*grid, *solar, *loads, stamp.wall)),
        H::Setpoint(watts) => {
            handle.output(stamp, &Output::Record(Record::Setpoint { load: WATER, watts: *watts }));
        }
        H::Decision => handle.output(stamp, &decision(CAR, true)),
        H::Notice => handle.output(stamp, &notice()),
        H::Clock(_) | H::Restart => {}
    }
}

fn balance(grid: f64, solar: f64, loads: f64, at: Option<WallTime>) -> Output {
    let total = BalanceValues {
        grid_w: Some(grid),
        solar_w: Some(solar),
        house_w: Some(grid + solar),
        import_w: Some(grid.max(0.0)),
        export_w: Some((-grid).max(0.0)),
        loads_w: (loads > 0.0).then_some(loads),
        base_w: (loads > 0.0).then_some(grid + solar - loads),
        spare_w: Some(loads - grid - 3.0),
        battery_w: None,
    };
    let phase = BalanceValues { grid_w: Some(grid / 3.0), ..BalanceValues::default() };
    let oldest = at.map(|t| WallTime(t.0 - 450));
    Output::Balance(BalanceReport {
        at: oldest,
        total,
        phases: vec![phase; if loads > 10.0 { 3 } else { 0 }],
        flows: None,
    })
}

fn notice() -> Output {
    let text = "no grid reading".to_owned();
    Output::Notice(Notice {
        at: None,
        severity: Severity::Warning,
        code: "stale".to_owned(),
        text,
        about: overspill_rules::input::About::Home,
    })
}

fn any_happening() -> impl Strategy<Value = Happening> {
    use Happening as H;
    let watts = || prop_oneof![(-9_000_i64..9_000).prop_map(|w| w as f64), Just(f64::NAN), -1e9..1e9];
    let number = || prop_oneof![(-900_i64..9_000).prop_map(|w| w as f64 / 10.0), -1e9..1e9];
    let device = || prop::option::of(NOON - HOUR..NOON + HOUR);
    prop_oneof![
        20 => watts().prop_map(H::Grid),
        6 => (watts(), device(), any::<bool>()).prop_map(|(v, d, r)| H::Volts(v, d, r)),
        4 => (watts(), device(), any::<bool>()).prop_map(|(v, d, r)| H::Tank(v, d, r)),
        4 => Just(H::Wake),
        1 => Just(H::Reconnected),
        1 => Just(H::Rules),
        6 => (number(), number(), 0.0..20.0).prop_map(|(g, s, l)| H::Balance(g, s, l)),
        3 => number().prop_map(H::Setpoint),
        1 => Just(H::Decision),
        1 => Just(H::Notice),
        1 => (-3 * HOUR..3 * HOUR).prop_map(H::Clock),
        1 => Just(H::Restart),
    ]
}

/// A journal of what happened, each with the time since the one before; what came in the same moment has one stamp.
fn journal(path: &Path, happened: &[(i64, Happening)], mut seal_now: impl FnMut(&mut Db, usize)) {
    let (mut db, _) = open(path);
    let (mut moment, mut clock, mut batch) = (0, NOON, 0);
    for (i, (since, what)) in happened.iter().enumerate() {
        moment += since;
        batch += u64::from(*since > 0);
        match what {
            Happening::Clock(by) => clock += by,
            Happening::Restart => {
                drop(db);
                (db, _) = open(path);
            }
            _ => {
                let stamp = Stamp { moment: Moment(moment), batch, wall: Some(WallTime(clock + moment)) };
                db.write(&taken(|h| hand_over(h, stamp, what))).unwrap();
            }
        }
        seal_now(&mut db, i);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_same_is_read_before_and_after_sealing(
        happened in prop::collection::vec(
            (prop_oneof![3 => Just(0), 6 => Just(300_000_i64), 2 => 1_i64..7_200_000], any_happening()), 1..120,
        ),
        cut in (-2 * HOUR..10 * HOUR, 1_i64..20 * HOUR),
        seals in prop::collection::vec(any::<bool>(), 120),
    ) {
        let folder = tempdir().unwrap();
        let rows = folder.path().join("rows.db");
        let sealed = folder.path().join("sealed.db");
        journal(&rows, &happened, |_, _| {});
        journal(&sealed, &happened, |db, i| if seals[i] { seal_all(db); });
        let spans = [EVER, (WallTime(NOON + cut.0), WallTime(NOON + cut.0 + cut.1))];
        let before = spans.map(|span| seen(&rows, span));
        prop_assert_eq!(&spans.map(|span| seen(&sealed, span)), &before, "sealed as it went");
        let (mut db, _) = open(&rows);
        seal_all(&mut db);
        drop(db);
        prop_assert_eq!(&spans.map(|span| seen(&rows, span)), &before, "sealed afterwards");
    }
}

fn readings(db: &mut Db, moments: impl Iterator<Item = i64>) {
    for chunk in moments.collect::<Vec<_>>().chunks(500) {
        let write =
            taken(|h| chunk.iter().for_each(|m| h.input(stamp(*m, *m as u64), &grid((m % 977) as f64))));
        db.write(&write).unwrap();
    }
}

#[test]
fn full_hours_are_sealed_after_a_minute_and_the_rest_stays_rows() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    readings(&mut db, (1..=6).map(|i| i * 600_000 - 1));
    assert_eq!(seal_all(&mut db), 0, "the hour is not over");
    readings(&mut db, std::iter::once(HOUR + 59_999));
    assert_eq!(seal_all(&mut db), 0, "within the minute of grace");
    readings(&mut db, std::iter::once(HOUR + 60_000));
    assert_eq!(seal_all(&mut db), 1);
    assert_eq!((count(&db, "sample"), count(&db, "tick"), count(&db, "stretch")), (2, 2, 1));
    assert_eq!(reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap().len(), 8);
}

#[test]
fn hours_of_one_day_grow_into_one_stretch_and_midnight_begins_another() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    for hour in 0..30 {
        readings(&mut db, (0..12).map(|i| hour * HOUR + i * 300_000));
        seal_all(&mut db);
    }
    assert_eq!((count(&db, "stretch"), count(&db, "block")), (2, 2));
    assert_eq!(reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap().len(), 360);
}

#[test]
fn what_has_no_time_yet_waits_unsealed_and_is_sealed_once_it_has() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let write = taken(|h| (0..5).for_each(|i| h.input(undated(i * HOUR, i as u64), &grid(i as f64))));
    db.write(&write).unwrap();
    assert_eq!(seal_all(&mut db), 0);
    let set = Input::ClockSet { offset_ms: NOON, believed: true };
    db.write(&taken(|h| h.input(stamp(4 * HOUR, 9), &set))).unwrap();
    assert!(seal_all(&mut db) > 0);
    let values: Vec<_> = reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap();
    assert_eq!(values.iter().map(|s| s.value.unwrap()).collect::<Vec<_>>(), [0.0, 1.0, 2.0, 3.0, 4.0]);
    assert_eq!(count(&db, "sample"), 2, "the hour before the newest is within its minute of grace");
}

#[test]
fn a_spike_never_vanishes_however_thin_the_series() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let spike = 3 * 24 * HOUR + 4_440_000;
    let all: Vec<i64> = (0..6 * 8640).map(|i| i * 10_000).collect();
    for chunk in all.chunks(4000) {
        let value = |m: i64| if m == spike { 9_999.0 } else { (m / 10_000 % 100) as f64 };
        db.write(&taken(|h| chunk.iter().for_each(|m| h.input(stamp(*m, *m as u64), &grid(value(*m))))))
            .unwrap();
        seal_all(&mut db);
    }
    let read = reader(&path);
    let sums: i64 =
        db.conn.query_row("SELECT count(*) FROM block WHERE hours IS NOT NULL", [], |r| r.get(0)).unwrap();
    assert!(sums > 0, "some days are dense enough for sums of hours");
    for n in [1, 2, 7, 100, 1000, 100_000] {
        let span = (WallTime(NOON + 1_234_567), WallTime(NOON + 5 * 24 * HOUR + 777));
        let buckets = read.thinned("point.grid", span.0, span.1, n).unwrap();
        assert!(buckets.len() <= n, "{n}");
        let all = read.samples("point.grid", span.0, span.1).unwrap();
        assert_eq!(buckets.iter().map(|b| b.count).sum::<u64>(), all.len() as u64);
        for b in &buckets {
            let inside: Vec<f64> =
                all.iter().filter(|s| s.at >= b.start && s.at < b.end).map(|s| s.value.unwrap()).collect();
            let (min, max) = (b.min, b.max);
            assert_eq!(min, inside.iter().copied().fold(f64::INFINITY, f64::min));
            assert_eq!(max, inside.iter().copied().fold(f64::NEG_INFINITY, f64::max));
            let mean = inside.iter().sum::<f64>() / inside.len() as f64;
            assert!((b.mean - mean).abs() < 1e-9 && b.count == inside.len() as u64, "{b:?}");
        }
        assert!(buckets.iter().any(|b| b.max == 9_999.0));
    }
}

#[test]
fn days_are_the_households_own() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let mut london = home();
    london.timezone = jiff::tz::TimeZoneDatabase::bundled().get("Europe/London").unwrap();
    let (mut db, _) = open_for(&path, &london);
    // Half hours from 22:00 UTC on; in London's summer a new day begins at 23:00 UTC.
    let from = NOON + 10 * HOUR;
    let energy = |i: i64| EnergyRow {
        flow: if i % 2 == 0 { Flow::Import } else { Flow::Load(CAR) },
        start: WallTime(from + i / 2 * HOUR / 2),
        kwh: 0.25,
        covered_s: 900.0,
        provisional: false,
        peak: None,
    };
    db.write(&taken(|h| {
        (0..8).for_each(|i| h.output(stamp(i, i as u64), &Output::Record(Record::Energy(energy(i)))))
    }))
    .unwrap();
    let shown = |path: &Path| {
        let days = reader(path).days(EVER.0, EVER.1).unwrap();
        let each = days.iter().map(|d| format!("{} {} {} {}", d.date, d.flow, d.kwh, d.covered_s));
        each.collect::<Vec<_>>()
    };
    let right = [
        "2025-06-15 import 0.5 1800",
        "2025-06-15 load.car 0.5 1800",
        "2025-06-16 import 0.5 1800",
        "2025-06-16 load.car 0.5 1800",
    ];
    assert_eq!(shown(&path), right);
    drop(db);
    drop(open(&path));
    let moved = ["2025-06-15 import 1 3600", "2025-06-15 load.car 1 3600"];
    assert_eq!(shown(&path), moved, "the home's zone is now UTC");
}

#[test]
fn numbers_past_their_time_are_dropped_by_whole_stretches_and_energy_stays() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let keep = Keep::of([("point.solar".to_owned(), Span::hours(48))]);
    let volts = |m: i64| Happening::Volts(m as f64, None, false);
    for hour in 0..=240 {
        let at = hour * HOUR;
        let energy = EnergyRow {
            flow: Flow::Solar,
            start: WallTime(NOON + at),
            kwh: 1.0,
            covered_s: 1800.0,
            provisional: false,
            peak: None,
        };
        db.write(&taken(|h| {
            hand_over(h, stamp(at, hour as u64 * 2), &volts(hour));
            h.input(stamp(at + 1, hour as u64 * 2 + 1), &grid(1.0));
            h.output(stamp(at + 1, hour as u64 * 2 + 1), &Output::Record(Record::Energy(energy)));
        }))
        .unwrap();
        while db.seal_step(&keep).unwrap() {}
    }
    let read = reader(&path);
    let left = read.samples("point.solar.volts", EVER.0, EVER.1).unwrap();
    // 48 hours at least, and never more than the day that the last of them lies in.
    assert!((48..=72).contains(&left.len()), "{}", left.len());
    assert_eq!(left.last().unwrap().value, Some(240.0));
    assert_eq!(read.samples("point.grid", EVER.0, EVER.1).unwrap().len(), 241, "kept for ever");
    assert_eq!(read.half_hours(EVER.0, EVER.1).unwrap().len(), 241);
    let mut inputs = 0;
    read.inputs(&home(), EVER.0, EVER.1, |_| inputs += 1).unwrap();
    assert_eq!(inputs, 241 + left.len());
    assert_eq!(feed(&read, 50).iter().map(|e| e.samples.len()).sum::<usize>(), inputs);
}

#[test]
fn a_disk_that_is_full_while_sealing_loses_nothing_and_control_is_told() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let noise = |i: i64| grid((i * i % 9973) as f64 / 7.0);
    db.write(&taken(|h| (0..4000).for_each(|i| h.input(stamp(i * 1000, i as u64), &noise(i))))).unwrap();
    let before = seen(&path, EVER);
    let pages: i64 = db.conn.query_row("PRAGMA page_count", [], |r| r.get(0)).unwrap();
    db.conn.pragma_update(None, "max_page_count", pages).unwrap();
    let error = db.seal_step(&Keep::default()).expect_err("no room for the blocks");
    assert!(matches!(error, super::super::StoreError::Full { .. }), "{error}");
    assert_eq!(seen(&path, EVER), before);
    db.conn.pragma_update(None, "max_page_count", 1_000_000).unwrap();
    assert_eq!(seal_all(&mut db), 1);
    assert_eq!(seen(&path, EVER), before);
}

#[test]
fn a_block_that_cant_be_read_does_not_stop_later_hours() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    readings(&mut db, (0..30).map(|i| i * 300_000));
    assert_eq!(seal_all(&mut db), 1);
    db.conn.execute("UPDATE block SET data = x'ff'", []).unwrap();
    readings(&mut db, (30..60).map(|i| i * 300_000));
    assert_eq!(seal_all(&mut db), 1);
    assert_eq!(count(&db, "stretch"), 2, "the damaged one is left as it is");
    let read = reader(&path);
    let later = WallTime(NOON + 2 * HOUR);
    assert_eq!(read.samples("point.grid", later, EVER.1).unwrap().len(), 36);
    let told = read.samples("point.grid", EVER.0, EVER.1).expect_err("what is damaged is told, not left out");
    assert!(told.to_string().contains("a sealed block can't be read"), "{told}");
}

#[test]
fn an_import_beside_the_daemon_does_not_seal_the_hour_under_way() {
    use super::super::{ImportNote, NewRow, PastStore, Stands, Value};
    let folder = tempdir().unwrap();
    let path = folder.path().join("home.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| h.input(stamp(0, 0), &grid(1.0)))).unwrap();

    let value = Value::Point(PointId(0), None);
    let note = ImportNote {
        file: "summer.csv".to_owned(),
        at: WallTime(NOON),
        series: vec![(value, Stands::of(Span::minutes(1)))],
    };
    let mut past = PastStore::open(&path, &home()).unwrap();
    let run = past.begin_import(&note, &home()).unwrap();
    let row = |n: i64| NewRow { at: WallTime(NOON - 100 * HOUR + n * 60_000), values: vec![(value, 5.0)] };
    past.add_rows(run, &(0..180).map(row).collect::<Vec<_>>()).unwrap();

    seal_all(&mut db);
    // The rest of that stamp comes with a later commit.
    db.write(&taken(|h| h.input(stamp(0, 0), &grid(2.0)))).unwrap();
    db.write(&taken(|h| h.input(stamp(2 * HOUR, 1), &grid(3.0)))).unwrap();
    seal_all(&mut db);

    let series = format!("point.{}", home().points[0].id);
    let read = |from| reader(&path).samples(&series, WallTime(from), EVER.1).unwrap();
    let values: Vec<Option<f64>> = read(NOON).iter().map(|s| s.value).collect();
    assert_eq!(values, [Some(1.0), Some(2.0), Some(3.0)]);
    assert_eq!(read(0).len(), 183);
    let numbers: Vec<i64> = feed(&reader(&path), 50).iter().map(|e| e.tick).collect();
    assert_eq!(numbers.len(), 182);
    assert!(numbers.windows(2).all(|two| two[0] < two[1]), "no number of a stamp comes twice");
    assert!(count(&db, "tick") < 10, "what was imported is sealed");
}
