//! Half hours of imported power.

use overspill_rules::home::Home;
use overspill_rules::time::{Span, WallTime};

use super::again;
use super::put_right::PutRight;
use super::retell::{Retelling, Which};
use crate::progress::Progress;
use crate::store::{HALF_HOUR, ImportRun, PastStore, StoreError, StoreReader, ending};

/// Half hours of one transaction.
const PART: usize = 2_000;

/// Counts the half hours of imports for which this has not been done, also those of an import that was interrupted.
pub(crate) fn imports(
    past: &mut PastStore,
    reader: &StoreReader,
    home: &Home,
    progress: &mut Progress,
) -> Result<usize, StoreError> {
    let waiting: Vec<ImportRun> = reader.imports()?.into_iter().filter(|i| !i.counted).collect();
    let Some(span) = span(&waiting) else { return Ok(0) };
    progress.stage("counting half hours", (span.1 - span.0).0.unsigned_abs());
    let retelling = Retelling::open(reader, home)?;
    let seen = |at: WallTime| progress.at((at - span.0).0.max(0).unsigned_abs());
    let rows = retelling.half_hours(span, Which::Imports, &PutRight::default(), seen)?;
    for part in rows.chunks(PART) {
        past.put_counted(part)?;
    }
    again::after_import(past, &retelling, span)?;
    let runs: Vec<i64> = waiting.iter().map(|i| i.run).collect();
    past.imports_are_counted(&runs)?;
    Ok(rows.len())
}

/// All that these imports reach into, in whole half hours.
fn span(imports: &[ImportRun]) -> Option<(WallTime, WallTime)> {
    let first = imports.iter().filter_map(|i| Some(i.span?.0)).min()?;
    let longest = imports.iter().flat_map(|i| i.stands.values()).map(|s| s.usually).max();
    let last = imports.iter().filter_map(|i| Some(i.span?.1)).max()?;
    let begin = WallTime(first.0.div_euclid(HALF_HOUR) * HALF_HOUR);
    Some((begin, ending(last + longest.unwrap_or(Span::ZERO))))
}
