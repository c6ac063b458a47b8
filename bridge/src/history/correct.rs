//! Putting right what a wrongly fitted clamp recorded: looked at first, then done, and undone.

use std::collections::BTreeMap;
use std::path::Path;

use overspill_rules::home::Home;
use overspill_rules::time::{Span, WallTime};
use thiserror::Error;

use super::again;
use super::put_right::alike;
use super::retell::Retelling;
use crate::progress::Progress;
use crate::store::{
    Changes, Correction, HALF_HOUR, Kind, Names, NewCorrection, PastStore, StoreError, StoreReader, ending,
};

/// Readings may be missing for so long while a device is replaced.
pub(crate) const REPLACED_REACHES: Span = Span::hours(48);

/// Why nothing was put right.
#[derive(Debug, Error)]
pub(crate) enum CorrectError {
    #[error("the journal knows no point `{wanted}`{nearest}; there are {known}")]
    NoPoint { wanted: String, nearest: String, known: String },
    #[error("a point can't be swapped with itself")]
    Itself,
    #[error(
        "`{0}` and `{1}` send different kinds of numbers, so that neither can stand for the other: only power can be \
         swapped with power, amps with amps, registers with registers"
    )]
    Unlike(String, String),
    #[error("there is no correction {0}; `--list` shows them")]
    NoCorrection(i64),
    #[error("correction {0} was taken back already")]
    AlreadyUndone(i64),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What is to be done.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Change {
    Correct(NewCorrection),
    Undo(i64),
}

/// Per flow: energy in kilowatt-hours, before and after.
type Totals = BTreeMap<String, (f64, f64)>;

/// What a change would do.
#[derive(Debug)]
pub(crate) struct Preview {
    pub(crate) change: Change,
    /// The correction that is made or taken back.
    pub(crate) what: NewCorrection,
    /// Per flow: energy of the whole half hours reached, in kilowatt-hours, before and after.
    pub(crate) totals: Totals,
    /// Half hours that change.
    pub(crate) half_hours: usize,
    changes: Changes,
}

/// All corrections, the oldest first.
pub(crate) fn list(reader: &StoreReader) -> Result<Vec<Correction>, StoreError> {
    reader.corrections()
}

/// Works out what `change` would do.
pub(crate) fn preview(
    reader: &StoreReader,
    home: &Home,
    change: Change,
    now: WallTime,
    progress: &mut Progress,
) -> Result<Preview, CorrectError> {
    let retelling = Retelling::open(reader, home)?;
    let old = retelling.corrections()?;
    let (what, new) = match &change {
        Change::Correct(what) => {
            sound(what, &retelling.all)?;
            (what.clone(), old.iter().cloned().chain([pending(what)]).collect::<Vec<_>>())
        }
        Change::Undo(id) => without(&old, *id)?,
    };
    let span = reach(&what, now);
    // Told three times: as it came, with what held, and with what shall hold.
    progress.stage("counting half hours", 3 * (span.1 - span.0).0.unsigned_abs());
    let (mut told, mut last) = (0, span.0);
    let changes = again::changes(&retelling, span, &old, &new, |at| {
        told += if at < last { 0 } else { (at - last).0.unsigned_abs() };
        last = at;
        progress.at(told);
    })?;
    progress.clear();
    let totals = totals(reader, home, span, &changes)?;
    let half_hours = totals.1;
    Ok(Preview { change, what, totals: totals.0, half_hours, changes })
}

/// Does what was looked at; gives the number of the correction.
pub(crate) fn make(
    store: &Path,
    home: &Home,
    preview: &Preview,
    by: &str,
    now: WallTime,
) -> Result<i64, CorrectError> {
    let mut past = PastStore::open(store, home)?;
    match preview.change {
        Change::Correct(_) => Ok(past.correct(&preview.what, by, now, &preview.changes)?),
        Change::Undo(id) => {
            past.undo(id, by, now, &preview.what, &preview.changes)?;
            Ok(id)
        }
    }
}

/// The half hours that it can change. A replaced device changes nothing but one step of its counters, which may lie in a
/// gap of the readings.
fn reach(what: &NewCorrection, now: WallTime) -> (WallTime, WallTime) {
    let from = match what.kind {
        Kind::Replaced => what.from + Span(-REPLACED_REACHES.0),
        _ => what.from,
    };
    (from, what.to.min(now).max(from))
}

fn sound(what: &NewCorrection, all: &Home) -> Result<(), CorrectError> {
    let find = |name: &str| {
        let found = all.points.iter().find(|p| p.id == name);
        found.ok_or_else(|| {
            let ids: Vec<&str> = all.points.iter().map(|p| p.id.as_str()).collect();
            let nearest = crate::config::nearest(name, ids.iter().copied());
            let nearest = nearest.map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
            CorrectError::NoPoint { wanted: name.to_owned(), nearest, known: ids.join(", ") }
        })
    };
    let point = find(&what.point)?;
    if let Kind::SwapWith(other) = &what.kind {
        let other = find(other)?;
        if other.id == point.id {
            return Err(CorrectError::Itself);
        }
        if !alike(point.unit, other.unit) {
            return Err(CorrectError::Unlike(point.id.clone(), other.id.clone()));
        }
    }
    Ok(())
}

/// A correction that is not made yet; it comes last.
fn pending(what: &NewCorrection) -> Correction {
    Correction { id: i64::MAX, what: what.clone(), by: String::new(), at: WallTime(0), undone: None }
}

fn without(old: &[Correction], id: i64) -> Result<(NewCorrection, Vec<Correction>), CorrectError> {
    let found = old.iter().find(|c| c.id == id).ok_or(CorrectError::NoCorrection(id))?;
    if found.undone.is_some() {
        return Err(CorrectError::AlreadyUndone(id));
    }
    Ok((found.what.clone(), old.iter().filter(|c| c.id != id).cloned().collect()))
}

/// Energy before and after, and how many half hours change.
fn totals(
    reader: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    changes: &Changes,
) -> Result<(Totals, usize), StoreError> {
    let names = Names::of(home);
    let begin = WallTime(from.0.div_euclid(HALF_HOUR) * HALF_HOUR);
    let mut rows: BTreeMap<(String, WallTime), (f64, f64)> = BTreeMap::new();
    for row in reader.half_hours(begin, ending(to))? {
        rows.insert((row.flow, row.start), (row.kwh, row.kwh));
    }
    let mut starts = std::collections::BTreeSet::new();
    for row in changes.again.iter().chain(&changes.as_before) {
        let both = rows.entry((names.flow(row.flow), row.start)).or_default();
        if both.0 != row.kwh {
            starts.insert(row.start);
        }
        both.1 = row.kwh;
    }
    let mut totals = Totals::new();
    for ((flow, _), (before, after)) in rows {
        let sum = totals.entry(flow).or_default();
        *sum = (sum.0 + before, sum.1 + after);
    }
    Ok((totals, starts.len()))
}
