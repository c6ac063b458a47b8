//! Sealed blocks: the form in which old hours are kept, without loss.
//!
//! A *stretch* is a run of stamps within one day of UTC. It has its stamps once ([`stamps`]), and for each series a
//! block of what that had at them ([`body`]). Everything comes back to the last bit and in its order, but that all kinds
//! of "not a number" are one, and that zero has no sign, as in the rows that SQLite keeps.

mod balance;
mod body;
mod bytes;
mod hours;
mod ints;
mod numbers;
mod stamps;
#[cfg(test)]
mod tests;

pub(super) use balance::COLUMNS;
pub(super) use body::Body;
pub(super) use hours::{Hour, HourSums};
pub(super) use stamps::Stamps;

use thiserror::Error;

/// No stretch has more stamps or entries of one series than this; more begin a new one.
pub(super) const MOST_ENTRIES: usize = 1 << 20;

/// What is wrong with a block that can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("a sealed block can't be read: {0}")]
pub(super) struct Unreadable(pub(super) &'static str);

/// One stamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Tick {
    pub(super) id: i64,
    pub(super) run: i64,
    pub(super) moment: i64,
    /// Wall time in milliseconds.
    pub(super) at: i64,
}

/// The bytes of the stamps.
pub(super) fn put_stamps(stamps: &Stamps) -> Vec<u8> {
    stamps::put(stamps)
}

/// Reads stamps back.
///
/// # Errors
/// When the bytes are damaged.
pub(super) fn take_stamps(bytes: &[u8]) -> Result<Stamps, Unreadable> {
    stamps::take(bytes)
}

/// The bytes of what a series has at `places` of the stamps.
pub(super) fn put_body(body: &Body, ticks: &[Tick], places: &[u32]) -> Vec<u8> {
    body.put(&times(ticks, places))
}

/// Reads a body back.
///
/// # Errors
/// When the bytes are damaged.
pub(super) fn take_body(bytes: &[u8], ticks: &[Tick], places: &[u32]) -> Result<Body, Unreadable> {
    Body::take(bytes, &times(ticks, places))
}

/// Reads only the first column of numbers of a body with so many entries.
///
/// # Errors
/// When the bytes are damaged, or it has no numbers.
pub(super) fn take_numbers(bytes: &[u8], count: usize) -> Result<Vec<f64>, Unreadable> {
    Body::take_columns(bytes, count)?.into_iter().next().ok_or(Unreadable("it holds no numbers"))
}

fn times(ticks: &[Tick], places: &[u32]) -> Vec<i64> {
    places.iter().map(|p| ticks.get(*p as usize).map_or(0, |t| t.at)).collect()
}
