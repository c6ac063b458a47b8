//! What reading gives.

use std::sync::Arc;

use overspill_rules::input::Input;
use overspill_rules::output::{BalanceValues, Seen};
use overspill_rules::request::Request as Terms;
use overspill_rules::time::WallTime;
use serde::{Deserialize, Serialize};

use crate::store::entry::Stamp;

/// One number as received.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// When it arrived.
    pub at: WallTime,
    /// The number; `None` where it was none.
    pub value: Option<f64>,
    /// The time its device gave.
    pub device_at: Option<WallTime>,
    /// The message was a retained one.
    pub retained: bool,
}

/// A decision as it was recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DecisionRow {
    /// When; `None` while the wall clock was not believed.
    pub at: Option<WallTime>,
    /// The load.
    pub load: String,
    /// Whether it should run.
    pub on: bool,
    /// Set-point in watts.
    pub setpoint_w: f64,
    /// The rule whose request held.
    pub rule: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// What kept it from what was asked, as a stable word.
    pub limited_by: Option<String>,
    /// What every rule asked of this load, highest rank first.
    pub requests: Vec<Request>,
    /// The readings it rested on.
    pub readings: Vec<Seen>,
}

/// A notice as it was told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NoticeRow {
    /// When; `None` while the wall clock was not believed.
    pub at: Option<WallTime>,
    /// `info`, `warning` or `problem`.
    pub severity: String,
    /// A stable word for its kind.
    pub code: String,
    /// What happened and what to do, in words.
    pub text: String,
}

/// What one rule asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// The rule.
    pub rule: String,
    /// What it asked.
    pub request: Terms,
    /// Why, in the rule's words.
    pub reason: String,
}

/// A load's set-point, from this time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetpointRow {
    /// When.
    pub at: WallTime,
    /// In watts.
    pub watts: f64,
}

/// The balance of the whole home (phase 0) or of one phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BalanceRow {
    /// When it was worked out.
    pub at: WallTime,
    /// 0 for the whole home, else 1 to 3.
    pub phase: u8,
    /// Its values in watts.
    pub values: BalanceValues,
}

/// Energy of one half hour.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HalfHour {
    /// `import`, `export`, `solar`, `house`, `charge`, `discharge` or `load.<id>`.
    pub flow: String,
    /// Its start.
    pub start: WallTime,
    /// In kilowatt-hours.
    pub kwh: f64,
    /// Seconds of it for which there was data.
    pub covered_s: f64,
}

/// One input as it was handed to the controller.
#[derive(Debug, Clone, PartialEq)]
pub struct Journalled {
    /// The run it belongs to; a new one means that the daemon was started again.
    pub run: i64,
    /// Its stamp; `batch` groups what was handled together.
    pub stamp: Stamp,
    /// The input, or why it can't be had in this home: a name it no longer has, or entries that were lost.
    pub input: Result<Input, String>,
}

/// Energy of one local day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Day {
    /// `YYYY-MM-DD` in the home's zone.
    pub date: String,
    /// As in [`HalfHour`].
    pub flow: String,
    /// When the day begins.
    pub start: WallTime,
    /// In kilowatt-hours: the sum of the half hours that begin in it.
    pub kwh: f64,
    /// Seconds of it for which there was data.
    pub covered_s: f64,
}

/// Some of the numbers of a series, put together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bucket {
    /// Where it begins.
    pub start: WallTime,
    /// Just after where it ends.
    pub end: WallTime,
    /// The least number in it.
    pub min: f64,
    /// The greatest number in it.
    pub max: f64,
    /// The mean of the numbers in it, each counted alike however long it stood.
    pub mean: f64,
    /// How many numbers there were.
    pub count: u64,
}

/// Everything that was kept under one stamp, but events, decisions and notices.
#[derive(Debug, Clone, PartialEq)]
pub struct TickEntries {
    /// The number of the stamp; ascending in the order in which things were handled.
    pub tick: i64,
    /// The run it belongs to.
    pub run: i64,
    /// The wall time; `None` while it is not known.
    pub at: Option<WallTime>,
    /// Numbers as received, each with the name of its series, in the order of arrival.
    pub samples: Vec<(Arc<str>, Sample)>,
    /// Balances by phase; 0 is the whole home.
    pub balance: Vec<(u8, BalanceValues)>,
    /// Set-points by load, in watts.
    pub setpoints: Vec<(Arc<str>, f64)>,
}

/// The first and the last wall time of what is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Extent {
    /// The first.
    pub first: WallTime,
    /// The last.
    pub last: WallTime,
}
