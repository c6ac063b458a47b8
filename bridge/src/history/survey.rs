//! The first pass over a file: everything is read and nothing is taken.

use std::io::{self, BufRead};

use overspill_rules::time::{Span, WallTime};

use super::columns::Column;
use super::intervals::Distances;
use super::rows::{BadLine, Rows};

/// So many bad lines are shown; the others are counted.
pub(crate) const BAD_LINES_SHOWN: usize = 20;

/// What a file holds.
#[derive(Debug, Clone, Default)]
pub(crate) struct Survey {
    pub(crate) columns: Vec<Column>,
    /// Columns that are left out, since the home works them out itself.
    pub(crate) worked_out: Vec<String>,
    /// Numbers in each of the columns.
    pub(crate) counts: Vec<u64>,
    pub(crate) rows: u64,
    /// Rows that hold no number at all.
    pub(crate) blank_rows: u64,
    pub(crate) bad: u64,
    /// The first of the bad lines.
    pub(crate) bad_lines: Vec<BadLine>,
    pub(crate) first: Option<WallTime>,
    pub(crate) last: Option<WallTime>,
    /// The commonest distance between two numbers of each column.
    pub(crate) usual: Vec<Option<Span>>,
    pub(crate) bytes: u64,
}

/// Reads the whole file; `seen` hears how many bytes were read so far.
pub(crate) fn survey<R: BufRead>(mut rows: Rows<'_, R>, mut seen: impl FnMut(u64)) -> io::Result<Survey> {
    let mut survey = Survey {
        columns: rows.columns().to_vec(),
        worked_out: rows.worked_out().to_vec(),
        counts: vec![0; rows.columns().len()],
        ..Survey::default()
    };
    let mut distances = vec![Distances::default(); survey.columns.len()];
    while let Some(next) = rows.next_row()? {
        seen(rows.bytes());
        match next {
            Ok(row) => {
                survey.rows += 1;
                survey.first = survey.first.or(Some(row.at));
                survey.last = Some(row.at);
                survey.blank_rows += u64::from(row.values.iter().all(Option::is_none));
                let columns = survey.counts.iter_mut().zip(&mut distances);
                for ((count, distances), value) in columns.zip(&row.values) {
                    if value.is_some() {
                        *count += 1;
                        distances.add(row.at);
                    }
                }
            }
            Err(line) => {
                survey.bad += 1;
                if survey.bad_lines.len() < BAD_LINES_SHOWN {
                    survey.bad_lines.push(line);
                }
            }
        }
    }
    survey.usual = distances.iter().map(Distances::commonest).collect();
    survey.bytes = rows.bytes();
    Ok(survey)
}
