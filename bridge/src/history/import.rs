//! A CSV file into the store: looked over first, then taken in parts, each in one short transaction.
//!
//! What is there stays. A number is left out where its series has a value already at some time of its interval, so that
//! what was recorded is never touched, importing a file again changes nothing, and an import that was interrupted is
//! finished by starting it again. Energies of the same interval replace each other, since suppliers put estimates right.

use std::fs::File;
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};

use overspill_rules::home::Home;
use overspill_rules::time::{Span, WallTime};
use thiserror::Error;

use super::columns::{Column, Energy, Meaning, Way, Wishes};
use super::count;
use super::intervals::{TimeIs, stands};
use super::rows::{Rows, Unreadable};
use super::survey::{Survey, survey};
use super::taking::{Sink, Taking};
use crate::progress::Progress;
use crate::store::{LONGEST_ENERGY, Stands, StoreError};

/// How a file is to be imported.
#[derive(Debug, Clone)]
pub(crate) struct ImportOptions {
    pub(crate) wishes: Wishes,
    pub(crate) time_is: TimeIs,
    /// A number stands until the next one, where that comes within this time.
    pub(crate) stands: Option<Span>,
    /// Nothing is taken where one line is bad.
    pub(crate) strict: bool,
    /// Nothing is taken at all.
    pub(crate) dry_run: bool,
    /// The wall clock.
    pub(crate) now: WallTime,
}

/// Why nothing was imported.
#[derive(Debug, Error)]
pub(crate) enum ImportError {
    #[error("{}: the file can't be read ({why})", file.display())]
    Io { file: PathBuf, why: io::Error },
    #[error("{}: the file is empty", file.display())]
    Empty { file: PathBuf },
    /// The columns, each with its fault.
    #[error("{}: the header can't be read", file.display())]
    Header { file: PathBuf, faults: Vec<String> },
    #[error(
        "{}: no row holds a number that can be taken", file.display()
    )]
    Nothing { file: PathBuf, survey: Box<Survey> },
    #[error(
        "{}: column {column} has one number only, so nobody knows how long it stands: say it with --stands",
        file.display()
    )]
    OneNumber { file: PathBuf, column: String },
    #[error(
        "{}: the rows of {column} stand for more than two months each; days or half hours are wanted",
        file.display()
    )]
    TooCoarse { file: PathBuf, column: String },
    /// With `--strict`.
    #[error("{}: nothing was imported, since lines are bad and --strict was given", file.display())]
    Strict { file: PathBuf, survey: Box<Survey> },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What became of one column.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct ColumnReport {
    pub(crate) name: String,
    /// Numbers in the file.
    pub(crate) numbers: u64,
    /// Taken, or what would be.
    pub(crate) new: u64,
    /// Left out, since a value is there already.
    pub(crate) there: u64,
    /// Energies that replaced others of the same interval.
    pub(crate) changed: u64,
    /// Energy in the file, in kilowatt-hours; `None` where it holds something else.
    pub(crate) kwh: Option<f64>,
    /// How long its numbers usually stand.
    pub(crate) usual: Span,
}

/// What became of a file.
#[derive(Debug, Clone)]
pub(crate) struct ImportReport {
    pub(crate) survey: Survey,
    pub(crate) columns: Vec<ColumnReport>,
    /// Columns of netted energy: they hide what was sent out within the interval.
    pub(crate) netted: Vec<String>,
    /// Half hours that were counted.
    pub(crate) half_hours: usize,
}

/// Imports `file` into the store at `store` of `home`.
pub(crate) fn import(
    store: &Path,
    home: &Home,
    file: &Path,
    options: &ImportOptions,
    progress: &mut Progress,
) -> Result<ImportReport, ImportError> {
    let io = |why| ImportError::Io { file: file.to_owned(), why };
    progress.stage("looking it over", std::fs::metadata(file).map_err(io)?.len());
    let survey = survey(rows(file, home, options)?, |bytes| progress.at(bytes)).map_err(io)?;
    if options.strict && survey.bad > 0 {
        return Err(ImportError::Strict { file: file.to_owned(), survey: Box::new(survey) });
    }
    let rhythms = rhythms(file, &survey, options)?;
    progress.stage(if options.dry_run { "weighing it" } else { "taking it in" }, survey.bytes);
    let sink = Sink::open(store, home, options.dry_run)?;
    let mut taking = Taking::new(home, file, &survey, &rhythms, options, sink);
    let mut rows = rows(file, home, options)?;
    while let Some(next) = rows.next_row().map_err(io)? {
        if let Ok(row) = next {
            taking.row(row.at, &row.values);
        }
        if taking.is_full() {
            taking.flush()?;
            progress.at(rows.bytes());
        }
    }
    taking.end();
    taking.flush()?;
    let (columns, sink) = taking.done();
    let half_hours = match sink {
        Sink::Store { mut past, reader } => {
            past.seal()?;
            count::imports(&mut past, &reader, home, progress)?
        }
        Sink::Nowhere | Sink::Weighed(_) => 0,
    };
    progress.clear();
    Ok(ImportReport { columns, netted: netted(&survey.columns), survey, half_hours })
}

fn rows<'h>(
    file: &Path,
    home: &'h Home,
    options: &ImportOptions,
) -> Result<Rows<'h, BufReader<File>>, ImportError> {
    let path = || file.to_owned();
    let opened = File::open(file).map_err(|why| ImportError::Io { file: path(), why })?;
    let source = BufReader::with_capacity(256 * 1024, opened);
    Rows::open(source, home, &options.wishes, options.now).map_err(|why| match why {
        Unreadable::Io(why) => ImportError::Io { file: path(), why },
        Unreadable::Empty => ImportError::Empty { file: path() },
        Unreadable::Header(faults) => ImportError::Header { file: path(), faults },
    })
}

/// How long the numbers of each column stand.
fn rhythms(file: &Path, survey: &Survey, options: &ImportOptions) -> Result<Vec<Stands>, ImportError> {
    if survey.counts.iter().all(|n| *n == 0) {
        return Err(ImportError::Nothing { file: file.to_owned(), survey: Box::new(survey.clone()) });
    }
    let others = survey.usual.iter().flatten().min().copied();
    let each = survey.columns.iter().zip(&survey.usual).zip(&survey.counts);
    each.map(|((column, usual), count)| {
        let fault = |make: fn(PathBuf, String) -> ImportError| make(file.to_owned(), column.name.clone());
        let Some(usual) = usual.or(others).or(options.stands).or((*count == 0).then_some(Span::ZERO)) else {
            return Err(fault(|file, column| ImportError::OneNumber { file, column }));
        };
        if usual > LONGEST_ENERGY {
            return Err(fault(|file, column| ImportError::TooCoarse { file, column }));
        }
        let by_rhythm = stands(usual);
        Ok(Stands { at_most: options.stands.map_or(by_rhythm.at_most, |s| s.max(usual)), ..by_rhythm })
    })
    .collect()
}

fn netted(columns: &[Column]) -> Vec<String> {
    let netted = |c: &&Column| matches!(c.meaning, Meaning::Energy(Energy { way: Way::Netted, .. }));
    columns.iter().filter(netted).map(|c| c.name.clone()).collect()
}
