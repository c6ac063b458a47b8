//! Least, greatest, sum and count of each hour of a block, so that a chart of a year need not unpack it.

use super::bytes::{Put, Take};
use super::{Unreadable, numbers};

/// One hour of one series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Hour {
    /// Hours since 1970-01-01 UTC.
    pub(crate) hour: i64,
    /// The least number.
    pub(crate) min: f64,
    /// The greatest number.
    pub(crate) max: f64,
    /// The sum of all numbers.
    pub(crate) sum: f64,
    /// How many numbers there were; what was not a number is left out.
    pub(crate) count: u64,
}

/// The hours of one block.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct HourSums(pub(crate) Vec<Hour>);

const HOUR_MS: i64 = 3_600_000;

/// A day has so many hours; a stretch none more.
const MOST_HOURS: usize = 64;

impl HourSums {
    /// What these numbers give, each with its wall time. Numbers are in order of time but for a clock that was set.
    pub(crate) fn of(at: impl Iterator<Item = i64>, values: &[f64]) -> HourSums {
        let mut sums = HourSums::default();
        for (at, value) in at.zip(values).filter(|(_, v)| !v.is_nan()) {
            sums.add(at.div_euclid(HOUR_MS), *value);
        }
        sums.0.sort_by_key(|h| h.hour);
        sums
    }

    fn add(&mut self, hour: i64, value: f64) {
        let fresh = Hour { hour, min: value, max: value, sum: 0.0, count: 0 };
        let place = match self.0.iter().rposition(|h| h.hour == hour) {
            Some(place) => place,
            None => {
                self.0.push(fresh);
                self.0.len() - 1
            }
        };
        if let Some(h) = self.0.get_mut(place) {
            h.min = h.min.min(value);
            h.max = h.max.max(value);
            h.sum += value;
            h.count += 1;
        }
    }

    /// The bytes of it; `None` when it has more hours than a stretch can have.
    pub(crate) fn put(&self) -> Option<Vec<u8>> {
        if self.0.len() > MOST_HOURS {
            return None;
        }
        let mut out = Put::default();
        let mut last = 0;
        out.number(self.0.len() as u64);
        for h in &self.0 {
            out.signed(h.hour - std::mem::replace(&mut last, h.hour));
            out.number(h.count);
        }
        let column = |of: fn(&Hour) -> f64| self.0.iter().map(of).collect::<Vec<f64>>();
        numbers::put(&mut out, &column(|h| h.min));
        numbers::put(&mut out, &column(|h| h.max));
        numbers::put(&mut out, &column(|h| h.sum));
        Some(out.0)
    }

    /// Reads it back.
    ///
    /// # Errors
    /// When the bytes are damaged.
    pub(crate) fn take(bytes: &[u8]) -> Result<HourSums, Unreadable> {
        let mut from = Take(bytes);
        let count = from.count(MOST_HOURS)?;
        let mut last = 0_i64;
        let mut hours = Vec::with_capacity(count);
        for _ in 0..count {
            last = last.wrapping_add(from.signed()?);
            hours.push((last, from.number()?));
        }
        let (min, max) = (numbers::take(&mut from, count)?, numbers::take(&mut from, count)?);
        let sum = numbers::take(&mut from, count)?;
        let each = hours.into_iter().zip(min.into_iter().zip(max)).zip(sum);
        let each = each.map(|(((hour, count), (min, max)), sum)| Hour { hour, min, max, sum, count });
        Ok(HourSums(each.collect()))
    }
}
