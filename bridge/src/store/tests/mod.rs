#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod crash;
mod home;
mod migration;
mod restart;
mod round_trip;
mod sealing;
mod slow;
mod trouble;
mod volume;

use std::path::Path;
use std::sync::Arc;

use overspill_rules::home::{Home, LoadId, PointId};
use overspill_rules::input::{Input, Reading};
use overspill_rules::output::{Decision, Output, Record};
use overspill_rules::time::{Moment, WallTime};

use super::db::Db;
use super::inbox::{Shared, Taken};
use super::{Options, Restored, Stamp, StoreHandle, StoreReader, place};
use home::home;

const CAR: LoadId = LoadId(0);
const WATER: LoadId = LoadId(1);

/// 2025-06-15T12:00:00Z, at moment 0.
const NOON: i64 = 1_749_988_800_000;

fn stamp(moment: i64, batch: u64) -> Stamp {
    Stamp { moment: Moment(moment), batch, wall: Some(WallTime(NOON + moment)) }
}

fn undated(moment: i64, batch: u64) -> Stamp {
    Stamp { wall: None, ..stamp(moment, batch) }
}

fn grid(value: f64) -> Input {
    Input::Reading(Reading { point: PointId(0), extra: None, value, device_time: None, retained: false })
}

fn decision(load: LoadId, on: bool) -> Output {
    Output::Record(Record::Decision(Box::new(Decision {
        load,
        at: None,
        on,
        setpoint_w: if on { 1380.0 } else { 0.0 },
        rule: Some("car".to_owned()),
        reason: "spare solar".to_owned(),
        limited_by: None,
        requests: Vec::new(),
        readings: Vec::new(),
    })))
}

fn open(path: &Path) -> (Db, Restored) {
    open_for(path, &home())
}

fn open_for(path: &Path, home: &Home) -> (Db, Restored) {
    Db::open(&place(path, home, &Options::default())).unwrap()
}

/// What the store's thread would take after these calls.
fn taken(calls: impl FnOnce(&StoreHandle)) -> Taken {
    let shared = Arc::new(Shared::new(Options::default()));
    calls(&StoreHandle::to(Arc::clone(&shared)));
    shared.lock().take()
}

fn reader(path: &Path) -> StoreReader {
    StoreReader::open_read_only(path).unwrap()
}

const EVER: (WallTime, WallTime) = (WallTime(i64::MIN), WallTime(i64::MAX));
