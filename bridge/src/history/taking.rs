//! What was read of a file, on its way into the store.

use std::collections::BTreeMap;
use std::path::Path;

use overspill_rules::home::{Home, PointId, Unit};
use overspill_rules::output::Flow;
use overspill_rules::time::{Span, WallTime};

use super::columns::{Column, Energy, Meaning, Way, flow_of};
use super::import::{ColumnReport, ImportOptions};
use super::intervals::{Interval, Standing};
use super::occupied::{Known, Occupied};
use super::past_home::as_imported;
use super::survey::Survey;
use crate::store::{Added, ImportNote, NewEnergy, NewRow, PastStore, Stands, StoreError, StoreReader, Value};

/// Rows of one transaction: the daemon waits no longer than one takes.
const PART_ROWS: usize = 2_000;

/// After so many rows they are sealed: about a dozen days at 10 s.
const SEAL_ROWS: usize = 100_000;

/// Where what was read goes.
pub(super) enum Sink {
    /// There is no store yet and none is made.
    Nowhere,
    /// Only weighed against what is there.
    Weighed(StoreReader),
    Store {
        past: Box<PastStore>,
        reader: StoreReader,
    },
}

impl Sink {
    pub(super) fn open(store: &Path, home: &Home, dry_run: bool) -> Result<Sink, StoreError> {
        match dry_run {
            true if store.exists() => StoreReader::open_read_only(store).map(Sink::Weighed),
            true => Ok(Sink::Nowhere),
            false => {
                let past = PastStore::open(store, home)?;
                Ok(Sink::Store { past: Box::new(past), reader: StoreReader::open_read_only(store)? })
            }
        }
    }

    fn reader(&self) -> Option<&StoreReader> {
        match self {
            Sink::Nowhere => None,
            Sink::Weighed(reader) | Sink::Store { reader, .. } => Some(reader),
        }
    }
}

/// A number on its way into the store.
struct Waiting {
    value: Value,
    column: usize,
    from: WallTime,
    to: WallTime,
    number: f64,
}

/// A file being taken in.
pub(super) struct Taking<'a> {
    home: &'a Home,
    file: &'a Path,
    columns: &'a [Column],
    rhythms: &'a [Stands],
    now: WallTime,
    standing: Vec<Standing>,
    reports: Vec<ColumnReport>,
    numbers: Vec<Waiting>,
    energies: Vec<(usize, NewEnergy)>,
    run: Option<i64>,
    /// Rows since the last sealing.
    unsealed: usize,
    sink: Sink,
}

impl<'a> Taking<'a> {
    pub(super) fn new(
        home: &'a Home,
        file: &'a Path,
        survey: &'a Survey,
        rhythms: &'a [Stands],
        options: &ImportOptions,
        sink: Sink,
    ) -> Self {
        let reports =
            survey.columns.iter().zip(&survey.counts).zip(rhythms).map(|((c, n), r)| ColumnReport {
                name: c.name.clone(),
                numbers: *n,
                kwh: matches!(c.meaning, Meaning::Power(..) | Meaning::Energy(_)).then_some(0.0),
                usual: r.usually,
                ..ColumnReport::default()
            });
        Taking {
            home,
            file,
            columns: &survey.columns,
            rhythms,
            now: options.now,
            standing: rhythms.iter().map(|r| Standing::new(options.time_is, *r)).collect(),
            reports: reports.collect(),
            numbers: Vec::new(),
            energies: Vec::new(),
            run: None,
            unsealed: 0,
            sink,
        }
    }

    pub(super) fn row(&mut self, at: WallTime, values: &[Option<f64>]) {
        for (i, value) in values.iter().enumerate() {
            let (Some(value), Some(column), Some(standing)) =
                (value, self.columns.get(i), self.standing.get_mut(i))
            else {
                continue;
            };
            let from = standing.begins(at);
            let done = standing.next(at, *value);
            let to = from + self.rhythms.get(i).map_or(Span::ZERO, |r| r.usually);
            if let Some(kind) = sample_of(column.meaning) {
                self.numbers.push(Waiting { value: kind, column: i, from, to, number: *value });
            }
            if let Some(interval) = done {
                self.interval(i, interval);
            }
        }
    }

    /// The last numbers of the columns.
    pub(super) fn end(&mut self) {
        for i in 0..self.standing.len() {
            if let Some(interval) = self.standing.get_mut(i).and_then(Standing::last) {
                self.interval(i, interval);
            }
        }
    }

    fn interval(&mut self, i: usize, interval: Interval) {
        let (Some(column), Some(report)) = (self.columns.get(i), self.reports.get_mut(i)) else { return };
        let kwh = match column.meaning {
            Meaning::Power(_, unit) => {
                let kw = if unit == Unit::Kw { interval.value } else { interval.value / 1000.0 };
                kw * (interval.to - interval.from).as_hours()
            }
            Meaning::Energy(energy) => {
                let kwh = interval.value * energy.kwh;
                self.energies.extend(new_energies(self.home, energy, interval, kwh).map(|e| (i, e)));
                kwh
            }
            Meaning::Extra(..) | Meaning::Input(_) => return,
        };
        report.kwh = report.kwh.map(|sum| sum + kwh);
    }

    pub(super) fn is_full(&self) -> bool {
        self.numbers.len() + self.energies.len() >= PART_ROWS * self.columns.len()
    }

    pub(super) fn flush(&mut self) -> Result<(), StoreError> {
        self.flush_numbers()?;
        self.flush_energies()
    }

    fn flush_numbers(&mut self) -> Result<(), StoreError> {
        let numbers = std::mem::take(&mut self.numbers);
        let first = numbers.iter().map(|n| n.from).min();
        let last = numbers.iter().map(|n| n.to).max();
        let (Some(first), Some(last)) = (first, last) else { return Ok(()) };
        let occupied = match self.sink.reader() {
            None => Occupied::default(),
            Some(reader) => {
                let imports = reader.imports()?.into_iter().map(|i| (i.run, i)).collect();
                Known { reader, home: self.home, imports, own_run: self.run }.between(first, last)?
            }
        };
        let mut rows: BTreeMap<WallTime, Vec<(Value, f64)>> = BTreeMap::new();
        for number in numbers {
            let Some(report) = self.reports.get_mut(number.column) else { continue };
            if occupied.holds(number.value, number.from, number.to) {
                report.there += 1;
            } else {
                report.new += 1;
                rows.entry(number.from).or_default().push((number.value, number.number));
            }
        }
        if rows.is_empty() {
            return Ok(());
        }
        let rows: Vec<NewRow> = rows.into_iter().map(|(at, values)| NewRow { at, values }).collect();
        self.write(&rows)
    }

    fn write(&mut self, rows: &[NewRow]) -> Result<(), StoreError> {
        let note = self.run.is_none().then(|| self.note());
        let Sink::Store { past, .. } = &mut self.sink else { return Ok(()) };
        if let Some((note, meant)) = note {
            self.run = Some(past.begin_import(&note, &meant)?);
        }
        if let Some(run) = self.run {
            past.add_rows(run, rows)?;
        }
        self.unsealed += rows.len();
        if self.unsealed >= SEAL_ROWS {
            self.unsealed = 0;
            past.seal()?;
        }
        Ok(())
    }

    fn note(&self) -> (ImportNote, Home) {
        let each = self.columns.iter().zip(self.rhythms);
        let series = each.filter_map(|(c, r)| Some((sample_of(c.meaning)?, *r))).collect();
        let name = self.file.file_name().unwrap_or_default().to_string_lossy().into_owned();
        (ImportNote { file: name, at: self.now, series }, as_imported(self.home, self.columns))
    }

    fn flush_energies(&mut self) -> Result<(), StoreError> {
        let energies = std::mem::take(&mut self.energies);
        for (i, column) in self.columns.iter().enumerate() {
            let own: Vec<NewEnergy> = energies.iter().filter(|(c, _)| *c == i).map(|(_, e)| *e).collect();
            if own.is_empty() {
                continue;
            }
            let added = match &mut self.sink {
                Sink::Nowhere => Added { new: own.len() as u64, ..Added::default() },
                Sink::Weighed(reader) => reader.weigh_energies(self.home, &own)?,
                Sink::Store { past, .. } => past.add_energies(&own, &flows(self.home, column.meaning))?,
            };
            // A netted number makes two energies, one of them 0.
            let halves = if is_netted(column.meaning) { 2 } else { 1 };
            if let Some(report) = self.reports.get_mut(i) {
                report.new += added.new / halves;
                report.there += added.same / halves;
                report.changed += added.changed / halves;
            }
        }
        Ok(())
    }

    /// What became of the columns, and the store.
    pub(super) fn done(self) -> (Vec<ColumnReport>, Sink) {
        (self.reports, self.sink)
    }
}

/// Numbers as of a moment go into the journal.
fn sample_of(meaning: Meaning) -> Option<Value> {
    match meaning {
        Meaning::Power(point, _) => Some(Value::Point(point, None)),
        Meaning::Extra(point, kind) => Some(Value::Point(point, Some(kind))),
        Meaning::Input(input) => Some(Value::Input(input)),
        Meaning::Energy(_) => None,
    }
}

fn is_netted(meaning: Meaning) -> bool {
    matches!(meaning, Meaning::Energy(Energy { way: Way::Netted, .. }))
}

/// Both directions of a column of energy, as far as it says something of them.
fn ways(energy: Energy) -> &'static [Way] {
    match energy.way {
        Way::In => &[Way::In],
        Way::Out => &[Way::Out],
        Way::Netted => &[Way::In, Way::Out],
    }
}

fn new_energies(
    home: &Home,
    energy: Energy,
    interval: Interval,
    kwh: f64,
) -> impl Iterator<Item = NewEnergy> {
    let measures = home.points.get(usize::from(energy.point.0)).map(|p| p.measures);
    ways(energy).iter().filter_map(move |way| {
        let kwh = match (energy.way, way) {
            (Way::Netted, Way::In) => kwh.max(0.0),
            (Way::Netted, _) => (-kwh).max(0.0),
            _ => kwh,
        };
        let flow = flow_of(measures?, *way)?;
        Some(NewEnergy { point: energy.point, flow, from: interval.from, to: interval.to, kwh })
    })
}

/// The flows that a column changes, each with all points that make it up.
fn flows(home: &Home, meaning: Meaning) -> Vec<(Flow, Vec<PointId>)> {
    let Meaning::Energy(energy) = meaning else { return Vec::new() };
    let Some(own) = home.points.get(usize::from(energy.point.0)) else { return Vec::new() };
    let each = ways(energy).iter().filter_map(|way| {
        let flow = flow_of(own.measures, *way)?;
        let makes_up = |m| [Way::In, Way::Out].into_iter().any(|w| flow_of(m, w) == Some(flow));
        let points = home.points.iter().enumerate().filter(|(_, p)| makes_up(p.measures));
        Some((flow, points.map(|(i, _)| PointId(i as u16)).collect()))
    });
    each.collect()
}
