//! The balance follows from few of its values; where it does so to the last bit, only those are kept.

use super::Unreadable;

/// Values of a balance: grid, solar, battery, house, import, export, loads, base, spare, in watts.
pub(crate) const COLUMNS: usize = 9;

const GRID: usize = 0;
const SOLAR: usize = 1;
const BATTERY: usize = 2;
const HOUSE: usize = 3;
const IMPORT: usize = 4;
const EXPORT: usize = 5;
const LOADS: usize = 6;
const BASE: usize = 7;
const SPARE: usize = 8;

/// One value of a balance from those before it; `None` while one of them is unknown.
type Formula = fn(&[f64]) -> Option<f64>;

/// How one value follows from those before it, by its number in the file. A number is never given a new meaning.
const FORMULAS: [(usize, Formula); 7] = [
    (HOUSE, |b| Some(at(b, GRID)? + at(b, SOLAR)?)),
    (HOUSE, |b| Some(at(b, GRID)? + at(b, SOLAR)? + at(b, BATTERY)?)),
    (IMPORT, |b| Some(at(b, GRID)?.max(0.0))),
    (EXPORT, |b| Some((-at(b, GRID)?).max(0.0))),
    (BASE, |b| Some(at(b, HOUSE)? - at(b, LOADS)?)),
    (SPARE, |b| Some(at(b, LOADS)? - at(b, GRID)?)),
    (SPARE, |b| Some(at(b, LOADS)? - at(b, GRID)? - at(b, BATTERY)?)),
];

fn at(values: &[f64], place: usize) -> Option<f64> {
    values.get(place).copied().filter(|v| !v.is_nan())
}

/// The formula that gives the whole column at `place`, if there is one.
pub(super) fn formula(columns: &[Vec<f64>], place: usize) -> Option<u8> {
    if columns.len() != COLUMNS {
        return None;
    }
    let column = columns.get(place)?;
    let gives = |number: u8| {
        let made = apply(number, columns.get(..place)?, column.len()).ok()?;
        let same =
            made.iter().zip(column).all(|(a, b)| a.to_bits() == b.to_bits() || a.is_nan() && b.is_nan());
        same.then_some(number)
    };
    let fitting = (0_u8..).zip(FORMULAS).filter(|(_, (of, _))| *of == place);
    fitting.map(|(number, _)| number).find_map(gives)
}

/// The column that a formula makes of those before it.
pub(super) fn apply(number: u8, before: &[Vec<f64>], count: usize) -> Result<Vec<f64>, Unreadable> {
    let (_, formula) = FORMULAS.get(usize::from(number)).ok_or(Unreadable("it holds an unknown formula"))?;
    let mut row = Vec::with_capacity(COLUMNS);
    let each = (0..count).map(|i| {
        row.clear();
        row.extend(before.iter().map(|column| column.get(i).copied().unwrap_or(f64::NAN)));
        // SQLite keeps no sign of zero, so neither does this.
        formula(&row).map_or(f64::NAN, |v| v + 0.0)
    });
    Ok(each.collect())
}
