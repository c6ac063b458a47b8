//! What one series has at its stamps.

use super::bytes::{Put, Take};
use super::{Unreadable, balance, ints, numbers};

/// The entries of one series in a stretch, a column for each thing that an entry may have.
#[derive(Debug, Clone, Default)]
pub(crate) struct Body {
    /// The place of an entry among all that came in with its stamp.
    pub(crate) n: Vec<i64>,
    /// A second time of an entry: of a sample the one its device gave, of a balance the oldest part used.
    pub(crate) times: Vec<Option<i64>>,
    /// Whether the message was a retained one.
    pub(crate) retained: Vec<bool>,
    /// Numbers; "not a number" where one is unknown. One column for samples and set-points, nine for the balance
    /// ([`balance::COLUMNS`]), none for what only happened.
    pub(crate) columns: Vec<Vec<f64>>,
}

impl Body {
    /// An empty body with so many columns of numbers.
    pub(crate) fn with_columns(columns: usize) -> Body {
        Body { columns: vec![Vec::new(); columns], ..Body::default() }
    }

    /// How many entries it has.
    pub(crate) fn len(&self) -> usize {
        self.n.len()
    }

    /// Puts one entry at the end.
    pub(crate) fn push(&mut self, n: i64, time: Option<i64>, retained: bool, numbers: &[f64]) {
        self.n.push(n);
        self.times.push(time);
        self.retained.push(retained);
        self.columns.iter_mut().zip(numbers).for_each(|(column, number)| column.push(*number));
    }

    /// The bytes of it; `at` holds the wall time of each entry.
    pub(super) fn put(&self, at: &[i64]) -> Vec<u8> {
        let mut out = Put::default();
        ints::put(&mut out, &self.n);
        put_times(&mut out, &self.times, at);
        let retained: Vec<i64> = self.retained.iter().map(|r| i64::from(*r)).collect();
        ints::put(&mut out, &retained);
        out.number(self.columns.len() as u64);
        for (place, column) in self.columns.iter().enumerate() {
            let formula = balance::formula(&self.columns, place);
            out.byte(formula.map_or(0, |f| f + 1));
            if formula.is_none() {
                numbers::put(&mut out, column);
            }
        }
        out.0
    }

    /// Reads it back.
    pub(super) fn take(bytes: &[u8], at: &[i64]) -> Result<Body, Unreadable> {
        let mut from = Take(bytes);
        let n = ints::take(&mut from, at.len())?;
        let times = take_times(&mut from, at)?;
        let retained = ints::take(&mut from, at.len())?.into_iter().map(|r| r != 0).collect();
        let columns = take_columns(&mut from, at.len())?;
        Ok(Body { n, times, retained, columns })
    }

    /// Only its numbers, for whoever needs no more.
    pub(super) fn take_columns(bytes: &[u8], count: usize) -> Result<Vec<Vec<f64>>, Unreadable> {
        let mut from = Take(bytes);
        ints::skip(&mut from)?;
        if from.number()? > 0 {
            ints::skip(&mut from)?;
            ints::skip(&mut from)?;
        }
        ints::skip(&mut from)?;
        take_columns(&mut from, count)
    }

    /// Equal to the last bit, where all kinds of "not a number" are one.
    pub(crate) fn same_as(&self, other: &Body) -> bool {
        let bits = |v: &f64| if v.is_nan() { f64::NAN.to_bits() } else { v.to_bits() };
        let columns =
            |b: &Body| -> Vec<Vec<u64>> { b.columns.iter().map(|c| c.iter().map(bits).collect()).collect() };
        self.n == other.n
            && self.times == other.times
            && self.retained == other.retained
            && columns(self) == columns(other)
    }
}

fn take_columns(from: &mut Take<'_>, count: usize) -> Result<Vec<Vec<f64>>, Unreadable> {
    let places = from.count(balance::COLUMNS)?;
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(places);
    for _ in 0..places {
        let column = match from.byte()? {
            0 => numbers::take(from, count)?,
            formula => balance::apply(formula - 1, &columns, count)?,
        };
        columns.push(column);
    }
    Ok(columns)
}

/// The number of entries that have a time, then which (where not all have), then how long before the stamp.
fn put_times(out: &mut Put, times: &[Option<i64>], at: &[i64]) {
    let known: Vec<i64> =
        times.iter().zip(at).filter_map(|(time, at)| time.map(|t| at.wrapping_sub(t))).collect();
    out.number(known.len() as u64);
    if !known.is_empty() {
        let which: Vec<i64> = times.iter().map(|t| i64::from(t.is_some())).collect();
        ints::put(out, &which);
        ints::put(out, &known);
    }
}

fn take_times(from: &mut Take<'_>, at: &[i64]) -> Result<Vec<Option<i64>>, Unreadable> {
    let count = from.count(at.len())?;
    if count == 0 {
        return Ok(vec![None; at.len()]);
    }
    let which = ints::take(from, at.len())?;
    let mut known = ints::take(from, count)?.into_iter();
    let each = which.iter().zip(at).map(|(which, at)| match which {
        0 => Ok(None),
        _ => known.next().map(|t| Some(at.wrapping_sub(t))).ok_or(Unreadable("a time is missing")),
    });
    each.collect()
}
