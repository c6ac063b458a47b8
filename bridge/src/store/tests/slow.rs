//! A slow store never slows control.

use std::time::{Duration, Instant};

use overspill_rules::input::{Input, OverrideRequest, Want};
use overspill_rules::output::HeldOverride;
use tempfile::tempdir;

use super::super::StoreState;
use super::super::entry::Row;
use super::*;

fn shared() -> (Arc<Shared>, StoreHandle) {
    let shared = Arc::new(Shared::new(Options { waiting_rows: 1000, ..Options::default() }));
    (Arc::clone(&shared), StoreHandle::to(shared))
}

fn override_on() -> Output {
    let held = HeldOverride { on: true, watts: None, until: WallTime(NOON), by: None };
    Output::Record(Record::Override { load: CAR, held: Some(held) })
}

#[test]
fn with_nobody_to_write_entries_are_dropped_and_counted_but_never_waited_for() {
    let (shared, handle) = shared();
    // No thread takes anything out: a call that waited for room would hang here.
    for i in 0..5000 {
        handle.input(stamp(i, i as u64), &grid(1.0));
    }
    assert_eq!(handle.lost(), 4250);
    for i in 0..300 {
        handle.output(stamp(5000, 5000 + i), &decision(CAR, true));
    }
    assert_eq!(
        handle.lost(),
        4301,
        "a quarter of the room is kept for urgent entries, less the trace of the loss"
    );
    handle.output(stamp(6000, 6000), &override_on());
    assert_eq!(shared.lock().state.overrides.len(), 1, "what must be known again is never dropped");
}

#[test]
fn what_was_lost_leaves_a_trace_where_it_is_missing() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let (shared, handle) = shared();
    (0..760).for_each(|i| handle.input(stamp(i, i as u64), &grid(1.0)));
    let write = shared.lock().take();
    db.write(&write).unwrap();
    handle.input(stamp(800, 800), &grid(2.0));
    let write = shared.lock().take();
    db.write(&write).unwrap();

    let mut inputs = Vec::new();
    reader(&path).inputs(&home(), EVER.0, EVER.1, |e| inputs.push(e.input)).unwrap();
    assert_eq!(inputs.len(), 752);
    assert_eq!(inputs[750], Err("entries were not recorded here".to_owned()));
    let told: String =
        db.conn.query_row("SELECT json FROM event WHERE kind = 'lost'", [], |r| r.get(0)).unwrap();
    assert_eq!(told, "{\"entries\":10}");
}

#[test]
fn readings_wait_for_the_interval_and_urgent_entries_do_not() {
    let options = Options::default();
    let wait = |handed: &dyn Fn(&StoreHandle)| {
        let (shared, handle) = shared();
        let before = Instant::now();
        handed(&handle);
        let due = shared.lock().due(&options, before);
        (due, before, Instant::now())
    };
    let within = |handed: &dyn Fn(&StoreHandle), wanted: Duration| {
        let (due, before, after) = wait(handed);
        let due = due.expect("something is due");
        assert!(due >= before + wanted && due <= after + wanted, "{:?} for {wanted:?}", due - before);
    };
    assert_eq!(wait(&|_| {}).0, None);
    let memory = Record::Memory { rule: "car".to_owned(), version: 1, json: "{}".to_owned() };
    within(&|h| h.input(stamp(0, 0), &grid(1.0)), options.commit_every);
    within(&|h| h.output(stamp(0, 0), &Output::Record(memory.clone())), options.commit_every);

    let wanted = OverrideRequest {
        load: CAR,
        want: Want::Off,
        amount: None,
        end: None,
        by: None,
        id: None,
        retained: false,
    };
    let urgent_records = [
        Record::Setpoint { load: CAR, watts: 0.0 },
        Record::OutOfService { load: CAR, by: None },
        Record::OverrideId("a".to_owned()),
        Record::Learnt { load: CAR, ratio: 1.0 },
    ];
    for record in urgent_records {
        within(&|h| h.output(stamp(0, 0), &Output::Record(record.clone())), options.linger);
    }
    within(&|h| h.output(stamp(0, 0), &override_on()), options.linger);
    within(&|h| h.output(stamp(0, 0), &decision(CAR, true)), options.linger);
    within(&|h| h.input(stamp(0, 0), &Input::Override(wanted.clone())), options.linger);
    within(
        &|h| {
            h.input(stamp(0, 0), &grid(1.0));
            h.output(stamp(0, 0), &decision(CAR, true));
        },
        options.linger,
    );
}

#[test]
fn many_readings_are_due_before_the_interval_is_over() {
    let (shared, handle) = shared();
    let options = Options { commit_rows: 10, ..Options::default() };
    (0..10).for_each(|i| handle.input(stamp(i, i as u64), &grid(1.0)));
    let now = Instant::now();
    assert_eq!(shared.lock().due(&options, now), Some(now));
}

#[test]
fn what_could_not_be_written_goes_before_what_came_since() {
    let (shared, handle) = shared();
    handle.input(stamp(0, 0), &grid(1.0));
    handle.output(stamp(0, 0), &Output::Record(Record::Learnt { load: CAR, ratio: 1.0 }));
    handle.output(stamp(0, 0), &Output::Record(Record::Learnt { load: WATER, ratio: 1.5 }));
    let failed = shared.lock().take();
    handle.input(stamp(1, 1), &grid(2.0));
    handle.output(stamp(1, 1), &Output::Record(Record::Learnt { load: CAR, ratio: 2.0 }));
    let now = Instant::now();
    let later = now + Duration::from_secs(5);
    shared.lock().put_back(failed, now, later);

    assert_eq!(shared.lock().due(&Options::default(), now), Some(later), "not before the back-off is over");
    let all = shared.lock().take();
    let values: Vec<f64> = all
        .rows
        .iter()
        .filter_map(|row| match row {
            Row::Input(_, Input::Reading(r)) => Some(r.value),
            _ => None,
        })
        .collect();
    assert_eq!(values, [1.0, 2.0]);
    assert_eq!(all.state.ratios, [(CAR, 2.0), (WATER, 1.5)].into());
}

#[test]
fn a_home_without_a_store_takes_everything_and_keeps_nothing() {
    let handle = StoreHandle::none();
    handle.input(stamp(0, 0), &grid(1.0));
    handle.output(stamp(0, 0), &override_on());
    assert_eq!((handle.state(), handle.lost()), (StoreState::Off, 0));
}
