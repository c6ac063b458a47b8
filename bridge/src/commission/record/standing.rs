//! Whether everything is proved, what lapses when the home file changes, and what changed between two issues.

use jiff::Timestamp;

use super::{Issue, Record, Standing, Test};

/// Why a commissioning is not complete.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WhyNot {
    /// The step, point or load, as people name it.
    pub what: String,
    /// Why.
    pub why: String,
    /// What completes it.
    pub next: String,
}

/// A test that lapsed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lapsed {
    /// The step's id.
    pub id: String,
    /// Its title.
    pub title: String,
    /// What it had proved.
    pub proves: Vec<String>,
}

/// Whether everything is proved for the home file with this fingerprint.
///
/// # Errors
/// Everything that is missing, in the order of the sheet.
pub fn complete(record: &Record, fingerprint: &str) -> Result<(), Vec<WhyNot>> {
    let mut missing = Vec::new();
    if record.home_file != fingerprint {
        missing.push(not(
            "home file",
            "it changed since it was proved",
            "run the commissioning again: it says which steps lapsed",
        ));
    }
    people(record, &mut missing);
    missing.extend(record.tests.iter().filter_map(|t| unsettled(t, fingerprint)));
    unproven(record, &mut missing);
    if missing.is_empty() { Ok(()) } else { Err(missing) }
}

fn not(what: &str, why: &str, next: &str) -> WhyNot {
    WhyNot { what: what.to_owned(), why: why.to_owned(), next: next.to_owned() }
}

/// What only people can tell. Where the step that asks it is open itself, that one says it.
fn people(record: &Record, missing: &mut Vec<WhyNot>) {
    let asked = [
        (
            record.who.is_none(),
            "cautions",
            "installer",
            "nobody has said who does this",
            "give name and firm",
        ),
        (
            record.acknowledged.is_empty(),
            "cautions",
            "cautions",
            "nobody has acknowledged them",
            "read and acknowledge them",
        ),
        (
            record.sources.is_empty(),
            "sources",
            "energy sources",
            "none is listed",
            "list each, and how it is isolated",
        ),
        (
            record.fuse.is_none(),
            "fuse",
            "main fuse",
            "its rating is not told",
            "give the rating and how it is known",
        ),
        (
            record.registers.is_empty(),
            "registers",
            "supply meter",
            "its registers were not read",
            "read and enter them",
        ),
        (
            record.contacts.is_empty(),
            "contacts",
            "contacts",
            "nobody to call is named",
            "give a name and a telephone",
        ),
        (record.points.is_empty(), "", "measuring points", "none is listed", "go through the steps"),
    ];
    let is_told = |step: &str| record.test(step).is_some_and(|t| t.verdict != Standing::Good);
    let missed = asked.iter().filter(|a| a.0 && !is_told(a.1));
    missing.extend(missed.map(|(_, _, what, why, next)| not(what, why, next)));
}

fn unsettled(test: &Test, fingerprint: &str) -> Option<WhyNot> {
    let other = !test.proves.is_empty() && test.home_file != fingerprint;
    if test.verdict == Standing::Lapsed || (test.verdict == Standing::Good && other) {
        return Some(not(&test.title, "it was proved for another home file", "repeat this step"));
    }
    if test.verdict == Standing::Good {
        return None;
    }
    let why = if test.words.is_empty() { test.verdict.words() } else { &test.words };
    Some(not(&test.title, why, test.next.as_deref().unwrap_or("do this step")))
}

/// Points and loads that no step speaks of: silence proves nothing.
fn unproven(record: &Record, missing: &mut Vec<WhyNot>) {
    let spoken = |key: String| record.tests.iter().any(|t| t.proves.contains(&key));
    let points = record.points.iter().filter(|p| p.not_provable.is_none()).map(|p| ("point", &p.id));
    for (kind, id) in points.chain(record.loads.iter().map(|l| ("load", &l.id))) {
        if !spoken(format!("{kind}.{id}")) {
            missing.push(not(
                &format!("{kind} {id}"),
                "no step has proved it",
                "go through the steps that prove it",
            ));
        }
    }
}

/// Takes note of the home file as it is now. What was decided of points and loads for another file lapses; what was
/// decided for this very file, and had lapsed, holds again. Gives what lapsed just now.
pub fn lapse(record: &mut Record, fingerprint: &str) -> Vec<Lapsed> {
    fingerprint.clone_into(&mut record.home_file);
    let mut lapsed = Vec::new();
    for test in record.tests.iter_mut().filter(|t| !t.proves.is_empty()) {
        let same = test.home_file == fingerprint;
        match (test.verdict, test.before) {
            (Standing::Good | Standing::Wrong, _) if !same => {
                test.before = Some(test.verdict);
                test.verdict = Standing::Lapsed;
                lapsed.push(Lapsed {
                    id: test.id.clone(),
                    title: test.title.clone(),
                    proves: test.proves.clone(),
                });
            }
            (Standing::Lapsed, Some(before)) if same => {
                test.verdict = before;
                test.before = None;
            }
            _ => {}
        }
    }
    lapsed
}

/// Enters the issue of a sheet at this time, and says what changed since the last.
pub fn issue(record: &mut Record, at: Timestamp) -> &Issue {
    let complete = complete(record, &record.home_file).is_ok();
    let number = record.issues.last().map_or(1, |last| last.number.saturating_add(1));
    let changed = record.issues.last().map_or_else(Vec::new, |last| changes(record, last));
    let stood = record.tests.iter().map(|t| (t.id.clone(), t.verdict)).collect();
    env!("CARGO_PKG_VERSION").clone_into(&mut record.program);
    let place = record.issues.len();
    record.issues.push(Issue { number, at, complete, changed, stood });
    &record.issues[place]
}

fn changes(record: &Record, last: &Issue) -> Vec<String> {
    let change = |test: &Test| {
        let now = test.verdict.words();
        match last.stood.get(&test.id) {
            Some(before) if *before == test.verdict => None,
            Some(before) => Some(format!("{}: {}, was {}", test.title, now, before.words())),
            None => Some(format!("{}: {now}, new", test.title)),
        }
    };
    let tests = record.tests.iter().filter_map(change);
    let files = record.corrections.iter().filter(|c| c.at > last.at);
    files.map(|c| format!("home file: {}", c.what)).chain(tests).collect()
}
