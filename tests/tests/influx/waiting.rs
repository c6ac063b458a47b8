//! What waits, and what is forwarded again.

use std::time::Duration;

use overspill::store::Stamp;
use overspill::store::outbox::{Outbox, What, forward_again};
use overspill_rules::input::Input;
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_tests::writes::Writes;
use rusqlite::Connection;

use crate::record::{Record, parsed, reading};

const TARGET: &str = "somewhere";

fn samples(entries: &[overspill::store::outbox::Entry]) -> Vec<(i64, f64)> {
    let numbers = entries.iter().filter_map(|e| match &e.what {
        What::Sample { value, .. } => Some((e.at.0, *value)),
        _ => None,
    });
    numbers.collect()
}

#[test]
fn what_has_no_time_yet_waits_for_it() {
    let record = Record::new(1);
    let wait = |moment, batch| Stamp { moment: Moment(moment), batch, wall: None };
    record.input(wait(0, 1), Input::ClockSet { offset_ms: 5, believed: false });
    record.input(wait(100, 2), reading(None, 1.5));
    record.input(wait(200, 3), Input::Wake);
    record.flush();
    let (outbox, place) = Outbox::open(&record.path(), TARGET).unwrap();
    let page = outbox.page(place).unwrap();
    assert_eq!((samples(&page.entries), page.then), (vec![], place));
    // The clock is believed: what came before gets its time.
    let offset_ms = record.start.0;
    let dated =
        |moment, batch| Stamp { moment: Moment(moment), batch, wall: Some(WallTime(offset_ms + moment)) };
    record.input(dated(300, 4), Input::ClockSet { offset_ms, believed: true });
    record.input(dated(400, 5), Input::Wake);
    record.flush();
    let page = outbox.page(place).unwrap();
    assert_eq!(samples(&page.entries), [(offset_ms + 100, 1.5)]);
}

#[test]
fn a_run_that_never_had_the_time_holds_nothing_up() {
    let mut record = Record::new(1);
    record.input(Stamp { moment: Moment(100), batch: 1, wall: None }, reading(None, 1.5));
    record.close();
    record.open();
    record.seconds(10, 11);
    record.end(20_000);
    let (outbox, place) = Outbox::open(&record.path(), TARGET).unwrap();
    let entries = outbox.page(place).unwrap().entries;
    assert_eq!(samples(&entries).first(), Some(&(record.start.0 + 10_000, -18.75)));
}

#[test]
fn the_newest_stamp_waits_until_it_is_whole() {
    let mut record = Record::new(1);
    record.seconds(0, 1);
    let (outbox, place) = Outbox::open(&record.path(), TARGET).unwrap();
    assert!(outbox.page(place).unwrap().entries.is_empty());
    record.end(1_000);
    assert!(!outbox.page(place).unwrap().entries.is_empty());
}

#[test]
fn stamps_of_one_time_are_never_torn_apart() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    // More than a page of stamps, three to each tenth of a second.
    for n in 0..1_000 {
        let stamp = record.stamp(n / 3 * 100);
        record.input(stamp, reading(None, n as f64));
        let at = (record.start + Span(n / 3 * 100 + n % 3)).0;
        record.expect("grid,home=wren,point=grid power_w", at, -(n as f64) * 1000.0);
    }
    record.end(100_000);
    let _forwarder = record.forward();
    assert_eq!(parsed(&server.until_lines(1_000)), record.expected);
}

#[test]
fn a_span_is_forwarded_again_when_asked_for() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    record.seconds(0, 600);
    record.energy(record.start, 0.25);
    record.end(3_700_000);
    let conn = Connection::open(record.path()).unwrap();
    // Before anything was ever forwarded there is nothing to repeat.
    forward_again(&conn, record.start, record.start + Span::hours(1)).unwrap();
    let forwarder = record.forward();
    record.until_arrived(&forwarder, 599);
    assert!(forwarder.stop(Duration::from_secs(5)));
    server.held().lines.clear();
    let (from, to) = (record.start, record.start + Span::seconds(100));
    forward_again(&conn, from, to).unwrap();
    let forwarder = record.forward();
    let mut expected = record.expected.clone();
    for numbers in expected.values_mut() {
        numbers.retain(|at, _| *at >= from.0 && *at < to.0);
    }
    let count = expected.values().map(|v| v.len()).sum::<usize>() - 1;
    assert_eq!(parsed(&server.until_lines(count)), expected);
    assert!(forwarder.stop(Duration::from_secs(5)));
    let left: i64 = conn.query_row("SELECT count(*) FROM forward_again", [], |r| r.get(0)).unwrap();
    assert_eq!(left, 0);
}

#[test]
fn energy_that_changes_is_forwarded_again_by_itself() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    record.seconds(0, 10);
    record.energy(record.start, 0.25);
    let forwarder = record.forward();
    record.end(3_700_000);
    server.until("the energy", |held| held.lines.iter().any(|l| l.contains("kwh=0.25")));
    // A second run in the same half hour adds its part.
    record.close();
    record.open();
    record.energy(record.start, 0.5);
    server.until("both parts", |held| held.lines.iter().any(|l| l.contains("kwh=0.75")));
    assert!(forwarder.stop(Duration::from_secs(5)));
}

#[test]
fn another_database_gets_everything_from_the_beginning() {
    let (first, second) = (Writes::start([]), Writes::start([]));
    let mut record = Record::new(first.port());
    record.seconds(0, 300);
    record.end(700_000);
    let forwarder = record.forward();
    first.until_lines(record.lines());
    assert!(forwarder.stop(Duration::from_secs(5)));
    record.influx().url.port = second.port();
    let _forwarder = record.forward();
    assert_eq!(parsed(&second.until_lines(record.lines())), record.expected);
}

/// Three hours at one second, so that the first two are sealed before anything is forwarded.
#[test]
fn sealed_hours_are_forwarded_like_others() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    record.seconds(0, 3 * 3600);
    record.end(3 * 3_600_000 + 120_000);
    let conn = Connection::open(record.path()).unwrap();
    let start = std::time::Instant::now();
    loop {
        record.flush();
        let sealed: i64 = conn.query_row("SELECT count(*) FROM stretch", [], |r| r.get(0)).unwrap();
        if sealed > 0 {
            break;
        }
        assert!(start.elapsed() < Duration::from_secs(60), "never sealed");
        std::thread::sleep(Duration::from_millis(50));
    }
    let _forwarder = record.forward();
    assert_eq!(parsed(&server.until_lines(record.lines())), record.expected);
}

/// An import is a run of its own that may come between two stamps of the daemon.
#[test]
fn an_import_is_forwarded_and_hides_no_stamp_that_still_grows() {
    let mut record = Record::new(1);
    let stamp = record.stamp(100_000);
    record.input(stamp, reading(None, 1.0));
    record.flush();
    let conn = Connection::open(record.path()).unwrap();
    let old = record.start.0 - 86_400_000;
    conn.execute_batch("BEGIN; INSERT INTO run (program, home, offset_ms) VALUES ('import', 'wren', 0)")
        .unwrap();
    let run = conn.last_insert_rowid();
    for n in 0..1_000 {
        conn.execute("INSERT INTO tick (run, moment, at) VALUES (?1, ?2, ?2)", [run, old + n * 1000])
            .unwrap();
        let tick = conn.last_insert_rowid();
        conn.execute("INSERT INTO sample SELECT ?1, 0, id, 2.0, NULL, 0 FROM series", [tick]).unwrap();
    }
    conn.execute_batch("COMMIT").unwrap();
    let (outbox, mut place) = Outbox::open(&record.path(), TARGET).unwrap();
    assert!(outbox.page(place).unwrap().entries.is_empty(), "the daemon's stamp may still grow");
    record.input(stamp, reading(None, 3.0));
    record.end(200_000);
    let mut found = Vec::new();
    loop {
        let page = outbox.page(place).unwrap();
        found.extend(samples(&page.entries));
        place = page.then;
        if page.last {
            break;
        }
    }
    assert_eq!(found.len(), 1_002);
    let at = record.start.0 + 100_000;
    assert_eq!(found[..2], [(at, 1.0), (at, 3.0)]);
    assert_eq!((found[2].0, found[1_001].0), (old, old + 999_000));
}
