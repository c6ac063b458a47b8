//! Numbers as devices send them, kept to the last bit.
//!
//! A device writes `241.7` or `1234`: where all numbers of a block are such decimals, they are kept as whole numbers
//! with their count of decimals, which packs far better. Where one is not, all are kept as 64 bits each, packed.

use super::bytes::{Put, Take};
use super::{Unreadable, ints};

const ALL_UNKNOWN: u8 = 0;
const DECIMALS: u8 = 1;
const BITS: u8 = 2;

/// Ten to the power of each count of decimals that is tried. All are exact as numbers of 64 bits.
const SCALES: [f64; 10] = [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

/// Whole numbers above this are not all exact (2^53).
const LARGEST_WHOLE: f64 = 9_007_199_254_740_992.0;

/// Writes `values`; "not a number" stands for an unknown one, all of its kinds alike.
pub(super) fn put(out: &mut Put, values: &[f64]) {
    let known: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    if known.is_empty() {
        out.byte(ALL_UNKNOWN);
        return;
    }
    match decimals(&known) {
        Some((scale, whole)) => {
            out.byte(DECIMALS);
            out.byte(scale);
            put_unknown(out, values);
            ints::put(out, &whole);
        }
        None => {
            out.byte(BITS);
            put_unknown(out, values);
            // Bits as whole numbers would lose to this: pco knows how such numbers are made.
            out.piece(&ints::compress(&known).unwrap_or_default());
        }
    }
}

/// Reads back `count` numbers.
pub(super) fn take(from: &mut Take<'_>, count: usize) -> Result<Vec<f64>, Unreadable> {
    let kind = from.byte()?;
    if kind == ALL_UNKNOWN {
        return Ok(vec![f64::NAN; count]);
    }
    let scale = if kind == DECIMALS { from.byte()? } else { 0 };
    let unknown = take_unknown(from, count)?;
    let left = count - unknown.len();
    let known: Vec<f64> = match kind {
        DECIMALS => {
            let scale = SCALES.get(usize::from(scale)).ok_or(Unreadable("its scale is unknown"))?;
            ints::take(from, left)?.into_iter().map(|whole| whole as f64 / scale).collect()
        }
        BITS => ints::decompress(from.piece()?)?,
        _ => return Err(Unreadable("it holds numbers of an unknown kind")),
    };
    if known.len() != left {
        return Err(Unreadable("it holds another count of numbers than it says"));
    }
    if unknown.is_empty() {
        return Ok(known);
    }
    let mut known = known.into_iter();
    let mut unknown = unknown.into_iter().peekable();
    let each = (0..count).map(|i| match unknown.next_if_eq(&i) {
        Some(_) => f64::NAN,
        None => known.next().unwrap_or(f64::NAN),
    });
    Ok(each.collect())
}

/// The places of the unknown ones, as distances.
fn put_unknown(out: &mut Put, values: &[f64]) {
    let places: Vec<i64> =
        values.iter().enumerate().filter(|(_, v)| v.is_nan()).map(|(i, _)| i as i64).collect();
    let distances: Vec<i64> =
        places.iter().scan(0, |next, place| Some(*place - std::mem::replace(next, place + 1))).collect();
    out.number(places.len() as u64);
    if !places.is_empty() {
        ints::put(out, &distances);
    }
}

fn take_unknown(from: &mut Take<'_>, count: usize) -> Result<Vec<usize>, Unreadable> {
    let unknown = from.count(count)?;
    if unknown == 0 {
        return Ok(Vec::new());
    }
    let mut next = 0_i64;
    let places = ints::take(from, unknown)?.into_iter().map(|distance| {
        let place = next.checked_add(distance).filter(|p| *p >= next)?;
        next = place.checked_add(1)?;
        usize::try_from(place).ok().filter(|p| *p < count)
    });
    places.collect::<Option<Vec<usize>>>().ok_or(Unreadable("its unknown numbers are out of place"))
}

/// The fewest decimals with which every number is exact, and the whole numbers.
fn decimals(values: &[f64]) -> Option<(u8, Vec<i64>)> {
    (0_u8..).zip(SCALES).find_map(|(places, scale)| {
        let whole: Option<Vec<i64>> = values.iter().map(|v| exact(*v, scale)).collect();
        whole.map(|whole| (places, whole))
    })
}

fn exact(value: f64, scale: f64) -> Option<i64> {
    let whole = (value * scale).round();
    let same = whole.abs() < LARGEST_WHOLE && (whole as i64 as f64 / scale).to_bits() == value.to_bits();
    same.then_some(whole as i64)
}
