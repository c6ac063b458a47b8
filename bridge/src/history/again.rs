//! What corrections change: the span told twice, with the corrections that held and with those that shall hold.
//!
//! Half hours in which both tellings agree stay as they are, so that a correction touches nothing but what it changes.

use std::collections::BTreeMap;

use overspill_rules::output::Flow;
use overspill_rules::time::WallTime;

use super::put_right::PutRight;
use super::retell::{Retelling, Which};
use crate::store::{Changes, Correction, Counted, HALF_HOUR, PastStore, StoreError, ending};

/// What `new` changes in the half hours of the span, against `old` and against what was recorded.
pub(crate) fn changes(
    retelling: &Retelling<'_>,
    (from, to): (WallTime, WallTime),
    old: &[Correction],
    new: &[Correction],
    mut seen: impl FnMut(WallTime),
) -> Result<Changes, StoreError> {
    let span = (WallTime(from.0.div_euclid(HALF_HOUR) * HALF_HOUR), ending(to));
    let mut tell = |corrections: &[Correction]| {
        let right = PutRight::new(corrections.iter(), &retelling.all);
        Ok::<_, StoreError>(by_key(retelling.half_hours(span, Which::All, &right, &mut seen)?))
    };
    let (plain, before, after) = (tell(&[])?, tell(old)?, tell(new)?);
    let mut changes = Changes::default();
    for (key, row) in &after {
        if before.get(key) == Some(row) {
            continue;
        }
        if plain.get(key) == Some(row) { changes.as_before.push(*row) } else { changes.again.push(*row) }
    }
    // Half hours that the corrections leave without anything.
    for (key, row) in before.iter().filter(|(key, _)| !after.contains_key(key)) {
        if plain.contains_key(key) {
            changes.again.push(Counted { kwh: 0.0, covered_s: 0.0, peak: None, ..*row });
        } else {
            changes.as_before.push(*row);
        }
    }
    Ok(changes)
}

/// Counts again where corrections reach into what was imported just now.
pub(crate) fn after_import(
    past: &mut PastStore,
    retelling: &Retelling<'_>,
    (from, to): (WallTime, WallTime),
) -> Result<(), StoreError> {
    let corrections = retelling.corrections()?;
    let held: Vec<Correction> = corrections.into_iter().filter(|c| c.undone.is_none()).collect();
    for correction in held.iter().filter(|c| c.what.from < to && c.what.to > from) {
        let span = (correction.what.from.max(from), correction.what.to.min(to));
        let changes = changes(retelling, span, &[], &held, |_| {})?;
        past.put_again(&changes.again)?;
    }
    Ok(())
}

fn by_key(rows: Vec<Counted>) -> BTreeMap<(WallTime, Flow), Counted> {
    rows.into_iter().map(|row| ((row.start, row.flow), row)).collect()
}
