//! What was imported, made fit for a replay.
//!
//! Its numbers come at the rhythm of their file, which is often slower than that of the device that the home file
//! describes: by the minute or the half hour. Taken as the device's they would be stale for most of the time. And each
//! file stands in the journal by itself, in the order of importing: they are put into the order of time.

use overspill_rules::home::Home;
use overspill_rules::time::{Span, WallTime};

use crate::store::{ImportRun, Journalled, StoreError, StoreReader};

/// So much is put in order at a time: a day of a large home fits the memory of a small computer.
const PART: Span = Span::hours(24);

fn reaching(journal: &StoreReader, (from, to): (WallTime, WallTime)) -> Result<Vec<ImportRun>, StoreError> {
    let reaches = |i: &ImportRun| i.span.is_some_and(|(first, last)| first < to && last >= from);
    Ok(journal.imports()?.into_iter().filter(reaches).collect())
}

/// Hands every input of the span to `each`; where some of it was imported, in the order of time.
///
/// # Errors
/// When the journal can't be read.
pub(super) fn in_order(
    journal: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    mut each: impl FnMut(Journalled),
) -> Result<(), StoreError> {
    if reaching(journal, (from, to))?.is_empty() {
        return journal.inputs(home, from, to, each);
    }
    let mut begin = from;
    while begin < to {
        let end = (begin + PART).min(to);
        let mut part = Vec::new();
        journal.inputs(home, begin, end, |journalled| part.push(journalled))?;
        // Stable, so that what came with one stamp stays in its order.
        part.sort_by_key(|journalled: &Journalled| journalled.stamp.wall);
        part.into_iter().for_each(&mut each);
        begin = end;
    }
    Ok(())
}

/// The home with each point and input fresh for as long as its imported numbers in the span stand, and what is to be
/// said of that.
///
/// # Errors
/// When the journal can't be read.
pub(super) fn as_imported(
    journal: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
) -> Result<(Home, Vec<String>), StoreError> {
    let imports = reaching(journal, span)?;
    let rhythm =
        |series: String| imports.iter().filter_map(|i| i.stands.get(&series)).max_by_key(|s| s.at_most);
    let mut home = home.clone();
    let mut told = Vec::new();
    let points = home.points.iter_mut().map(|p| (&p.id, "point", &mut p.stale_after));
    let inputs = home.inputs.iter_mut().map(|i| (&i.id, "input", &mut i.stale_after));
    for (id, kind, stale_after) in points.chain(inputs) {
        let Some(stands) = rhythm(format!("{kind}.{id}")).filter(|s| s.at_most > *stale_after) else {
            continue;
        };
        *stale_after = stands.at_most;
        told.push(sentence(id.as_str(), stands.usually, stands.at_most));
    }
    if !told.is_empty() {
        told.push(
            "What happens between two imported numbers, such as a kettle or a small cloud, is not seen."
                .to_owned(),
        );
    }
    Ok((home, told))
}

fn sentence(id: &str, usually: Span, at_most: Span) -> String {
    format!("{id} was imported with a number each {usually}: each is taken as fresh for {at_most}.")
}
