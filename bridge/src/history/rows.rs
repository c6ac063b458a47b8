//! A CSV file row by row: good ones with their numbers, bad ones with the reason.

use std::io::{self, BufRead};

use overspill_rules::home::{Home, InputId, PointId, Unit};
use overspill_rules::time::{Span, WallTime};

use super::columns::{Column, Columns, Energy, Meaning, Way, Wishes};
use super::lines::{Lines, Text, fields, separator};
use super::times::Times;

/// Clocks of two machines may differ by so much; a row further ahead lies in the future.
const AHEAD_AT_MOST: Span = Span::hours(24);

/// Before this, a time is a mistake: 1990-01-01.
const EARLIEST: WallTime = WallTime(631_152_000_000);

/// Words that mean the same as a blank field.
const BLANKS: [&str; 3] = ["nan", "null", "na"];

/// A row whose time and numbers could be read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    /// What the `time` column says.
    pub(crate) at: WallTime,
    /// A number for each of the columns; `None` where the field is blank.
    pub(crate) values: Vec<Option<f64>>,
}

/// A line that was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct BadLine {
    /// Its number in the file, from 1.
    pub(crate) line: u64,
    /// Why, in words.
    pub(crate) why: String,
}

/// Why a file can't be read at all.
#[derive(Debug)]
pub(crate) enum Unreadable {
    /// The system says no.
    Io(io::Error),
    /// There is not even a header.
    Empty,
    /// The header, with each of its faults.
    Header(Vec<String>),
}

impl From<io::Error> for Unreadable {
    fn from(why: io::Error) -> Unreadable {
        Unreadable::Io(why)
    }
}

/// The rows of a file.
#[derive(Debug)]
pub(crate) struct Rows<'h, R> {
    lines: Lines<R>,
    separator: char,
    columns: Columns,
    times: Times,
    home: &'h Home,
    latest: WallTime,
}

impl<'h, R: BufRead> Rows<'h, R> {
    /// Begins to read; `now` is the wall clock, beyond which there is no history.
    pub(crate) fn open(
        source: R,
        home: &'h Home,
        wishes: &Wishes,
        now: WallTime,
    ) -> Result<Self, Unreadable> {
        let mut lines = Lines::new(source);
        let header = match lines.next_line()? {
            None => return Err(Unreadable::Empty),
            Some(Text::Bad(why)) => return Err(Unreadable::Header(vec![format!("the header: {why}")])),
            Some(Text::Line(text)) => text.to_owned(),
        };
        let separator = separator(&header);
        let columns = Columns::read(&fields(&header, separator), home, wishes).map_err(Unreadable::Header)?;
        let times = Times::new(home.timezone.clone());
        Ok(Rows { lines, separator, columns, times, home, latest: now + AHEAD_AT_MOST })
    }

    /// The columns that are read.
    pub(crate) fn columns(&self) -> &[Column] {
        &self.columns.columns
    }

    /// Columns that are left out, since the home works them out itself.
    pub(crate) fn worked_out(&self) -> &[String] {
        &self.columns.worked_out
    }

    /// Bytes read so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.lines.bytes()
    }

    /// The next row, or the next line that is none.
    pub(crate) fn next_row(&mut self) -> io::Result<Option<Result<Row, BadLine>>> {
        let read = match self.lines.next_line()? {
            None => return Ok(None),
            Some(Text::Bad(why)) => Err(why.to_owned()),
            Some(Text::Line(text)) => {
                let fields = fields(text, self.separator);
                row(&fields, &self.columns, self.home, self.separator, self.latest, &mut self.times)
            }
        };
        let line = self.lines.number();
        Ok(Some(read.map_err(|why| BadLine { line, why })))
    }
}

/// The time is read last: a bad line must not be what later ones have to follow.
fn row(
    fields: &[String],
    columns: &Columns,
    home: &Home,
    separator: char,
    latest: WallTime,
    times: &mut Times,
) -> Result<Row, String> {
    if fields.len() != columns.fields {
        let (found, wanted) = (fields.len(), columns.fields);
        return Err(format!("it has {found} {}, the header has {wanted}", plural(found, "field")));
    }
    let mut values = Vec::with_capacity(columns.columns.len());
    for column in &columns.columns {
        let text = fields.get(column.place).map_or("", String::as_str);
        let value = number(text, separator).map_err(|why| format!("{}: {why}", column.name))?;
        if let Some(value) = value {
            plausible(column.meaning, value, home).map_err(|why| format!("{}: {why}", column.name))?;
        }
        values.push(value);
    }
    let text = fields.get(columns.time).map_or("", String::as_str);
    let mut after = times.clone();
    let at = after.read(text)?;
    if at > latest {
        return Err(format!("`{text}` lies in the future"));
    }
    if at < EARLIEST {
        return Err(format!("`{text}` is before 1990"));
    }
    *times = after;
    Ok(Row { at, values })
}

fn plural(n: usize, word: &str) -> String {
    if n == 1 { word.to_owned() } else { format!("{word}s") }
}

/// A decimal comma is understood where commas do not separate the fields.
fn number(text: &str, separator: char) -> Result<Option<f64>, String> {
    if text.is_empty() || BLANKS.iter().any(|b| text.eq_ignore_ascii_case(b)) {
        return Ok(None);
    }
    let parsed = if separator != ',' && text.contains(',') {
        text.replacen(',', ".", 1).parse::<f64>()
    } else {
        text.parse()
    };
    match parsed {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        Ok(_) => Err(format!("`{text}` is not a finite number")),
        Err(_) => Err(format!("`{text}` is no number")),
    }
}

fn plausible(meaning: Meaning, value: f64, home: &Home) -> Result<(), String> {
    match meaning {
        Meaning::Power(point, unit) => {
            let watts = if unit == Unit::Kw { value * 1000.0 } else { value };
            within(home.points.get(place(point)).and_then(|p| p.plausible), watts, "W")
        }
        Meaning::Input(InputId(i)) => {
            let input = home.inputs.get(usize::from(i));
            let unit = input.and_then(|i| i.unit.as_deref()).unwrap_or("");
            within(input.and_then(|i| i.plausible), value, unit)
        }
        Meaning::Energy(energy) => energy_plausible(energy, value, home),
        Meaning::Extra(..) => Ok(()),
    }
}

/// What goes one way only can't be negative; the roof's standby draw at night can.
fn energy_plausible(energy: Energy, value: f64, home: &Home) -> Result<(), String> {
    use overspill_rules::home::Measures;
    let measures = home.points.get(place(energy.point)).map(|p| p.measures);
    let signed = energy.way == Way::Netted || matches!(measures, Some(Measures::Solar | Measures::House));
    if value < 0.0 && !signed {
        return Err(format!("{value} is negative, and this energy goes one way only"));
    }
    Ok(())
}

fn place(point: PointId) -> usize {
    usize::from(point.0)
}

fn within(range: Option<(f64, f64)>, value: f64, unit: &str) -> Result<(), String> {
    match range {
        Some((low, high)) if !(low..=high).contains(&value) => {
            Err(format!("{value} {unit} is not plausible here (allowed: {low} to {high} {unit})"))
        }
        _ => Ok(()),
    }
}
