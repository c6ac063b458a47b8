//! The journal told again: numbers as received become power and energy by the definitions of their time, with whatever was
//! put right since, through the same meters, balance and accounts as when they came in.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use overspill_rules::home::{Home, InputId, PointId};
use overspill_rules::input::{Input, OtherReading, Reading};
use overspill_rules::output::EnergyRow;
use overspill_rules::recount::Recount;
use overspill_rules::time::{Moment, Span, WallTime};

use super::merge::{Imported, Merge};
use super::past_home::{RunHome, all_points};
use super::put_right::{Counters, PutRight};
use crate::store::{Counted, ImportRun, Stamp, Stands, StoreError, StoreReader, whole};

/// So much of the journal is held at once.
const PART: Span = Span::hours(6);

/// Before and after the span that is asked for, so that what stands at its ends is known.
const LEAD: Span = Span::hours(2);

/// Which part of the journal is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Which {
    /// What was recorded as it happened, and what was imported.
    All,
    /// Only what was imported.
    Imports,
}

/// What is told.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Told {
    /// The power of a point, by its place among [`Retelling::all`].
    Power { point: PointId, at: WallTime, watts: f64 },
    /// The value of another input, after its scale.
    Input { input: InputId, at: WallTime, value: f64 },
    /// Energy, in parts of half hours.
    Energy(Vec<EnergyRow>),
}

/// The journal, open for telling.
#[derive(Debug)]
pub(crate) struct Retelling<'a> {
    reader: &'a StoreReader,
    today: &'a Home,
    /// Every point of any time.
    pub(crate) all: Home,
    in_watts: RunHome,
    imports: BTreeMap<i64, ImportRun>,
    as_of_today: bool,
}

/// One run of the daemon under way.
struct Run {
    home: RunHome,
    recount: Recount,
    counters: Counters,
    offset_ms: i64,
    newest: WallTime,
}

/// What came in, with the run and the stamp.
type Heard = (i64, Stamp, What);

enum What {
    Reading(Reading),
    Other(OtherReading),
}

impl<'a> Retelling<'a> {
    pub(crate) fn open(reader: &'a StoreReader, today: &'a Home) -> Result<Retelling<'a>, StoreError> {
        let all = all_points(reader, today)?;
        let imports = reader.imports()?.into_iter().map(|i| (i.run, i)).collect();
        let in_watts = RunHome::in_watts(&all);
        Ok(Retelling { reader, today, all, in_watts, imports, as_of_today: false })
    }

    /// The same, but what was recorded as it happened is told by today's home file, and nothing in it is put right: so it is
    /// the home file that is held against what its devices sent.
    pub(crate) fn open_as_of_today(
        reader: &'a StoreReader,
        today: &'a Home,
    ) -> Result<Retelling<'a>, StoreError> {
        Ok(Retelling { as_of_today: true, ..Retelling::open(reader, today)? })
    }

    /// How long the numbers of a series of imports stand at most, where they have something in the span.
    pub(crate) fn import_stands(&self, series: &str, (from, to): (WallTime, WallTime)) -> Option<Span> {
        let within = |i: &&ImportRun| i.span.is_some_and(|(first, last)| first < to && last >= from);
        self.imports.values().filter(within).filter_map(|i| i.stands.get(series)).map(|s| s.usually).max()
    }

    /// All corrections, the oldest first.
    pub(crate) fn corrections(&self) -> Result<Vec<crate::store::Correction>, StoreError> {
        self.reader.corrections()
    }

    /// Tells the span, and somewhat more around it. `seen` hears how far it has come.
    pub(crate) fn tell(
        &self,
        (from, to): (WallTime, WallTime),
        which: Which,
        right: &PutRight,
        mut each: impl FnMut(Told),
        mut seen: impl FnMut(WallTime),
    ) -> Result<(), StoreError> {
        let as_sent = PutRight::default();
        let live = if self.as_of_today { &as_sent } else { right };
        let longest = self.imports.values().flat_map(|i| i.stands.values()).map(|s| s.at_most.max(s.usually));
        let reach = longest.max().unwrap_or(Span::ZERO);
        let lead = LEAD.max(reach);
        let (mut begin, end) = self.within_the_journal(from + Span(-lead.0), to + lead)?;
        let mut runs: BTreeMap<i64, Run> = BTreeMap::new();
        let mut merge = Merge::new(self.today);
        let mut homes: BTreeMap<i64, RunHome> = BTreeMap::new();
        while begin < end {
            let part_end = (begin + PART).min(end);
            let heard = self.heard(begin, part_end + reach)?;
            let mut numbers = Vec::new();
            for (run, stamp, what) in heard {
                let Some(at) = stamp.wall else { continue };
                let inside = at < part_end;
                match (what, self.imports.get(&run)) {
                    (What::Other(other), _) if inside => {
                        let scale = self.home_of(&mut homes, run)?.input_scale(other.input);
                        each(Told::Input { input: other.input, at, value: other.value * scale });
                    }
                    (What::Reading(reading), Some(import)) => {
                        let home = self.home_of(&mut homes, run)?;
                        let Some((point, number)) = self.imported(import, home, at, reading, right) else {
                            continue;
                        };
                        if inside {
                            each(Told::Power { point, at, watts: number.watts });
                        }
                        numbers.push(number);
                    }
                    (What::Reading(reading), None) if inside && which == Which::All => {
                        let run = self.run_of(&mut runs, &mut homes, run, (stamp, at))?;
                        run.take((stamp.moment, at), reading, live, self.today, &mut each);
                    }
                    _ => {}
                }
            }
            each(Told::Energy(merge.take(&numbers, part_end)));
            close_old(&mut runs, part_end, self.today, &mut each);
            seen(part_end.min(to));
            begin = part_end;
        }
        each(Told::Energy(merge.close()));
        runs.into_values().for_each(|run| run.close(self.today, &mut each));
        Ok(())
    }

    /// The half hours that begin in the span, each whole.
    pub(crate) fn half_hours(
        &self,
        (from, to): (WallTime, WallTime),
        which: Which,
        right: &PutRight,
        seen: impl FnMut(WallTime),
    ) -> Result<Vec<Counted>, StoreError> {
        let mut rows: Vec<EnergyRow> = Vec::new();
        let keep = |told: Told| {
            if let Told::Energy(new) = told {
                rows.extend(new.into_iter().filter(|r| r.start >= from && r.start < to));
            }
        };
        self.tell((from, to), which, right, keep, seen)?;
        Ok(whole(&rows))
    }

    /// Where nothing was recorded there is nothing to tell.
    fn within_the_journal(&self, from: WallTime, to: WallTime) -> Result<(WallTime, WallTime), StoreError> {
        Ok(match self.reader.extent()? {
            Some(there) => (from.max(there.first), to.min(WallTime(there.last.0.saturating_add(1)))),
            None => (from, from),
        })
    }

    fn heard(&self, from: WallTime, to: WallTime) -> Result<Vec<Heard>, StoreError> {
        let mut heard = Vec::new();
        self.reader.inputs(&self.all, from, to, |entry| match entry.input {
            Ok(Input::Reading(r)) => heard.push((entry.run, entry.stamp, What::Reading(r))),
            Ok(Input::Other(o)) => heard.push((entry.run, entry.stamp, What::Other(o))),
            _ => {}
        })?;
        Ok(heard)
    }

    fn home_of<'m>(
        &self,
        homes: &'m mut BTreeMap<i64, RunHome>,
        run: i64,
    ) -> Result<&'m RunHome, StoreError> {
        match homes.entry(run) {
            Entry::Occupied(known) => Ok(known.into_mut()),
            Entry::Vacant(new) => Ok(new.insert(RunHome::of(self.reader, run, &self.all, self.today)?)),
        }
    }

    /// An imported number in watts, put right.
    fn imported(
        &self,
        import: &ImportRun,
        home: &RunHome,
        at: WallTime,
        reading: Reading,
        right: &PutRight,
    ) -> Option<(PointId, Imported)> {
        let described = home.point(reading.point).filter(|_| reading.extra.is_none())?;
        let series = format!("point.{}", described.id);
        let stands: Stands = *import.stands.get(&series)?;
        let unit = if described.unit == overspill_rules::home::Unit::Kw { 1000.0 } else { 1.0 };
        let plain = Reading { value: reading.value * unit, ..reading };
        // In watts already: there is no counter and no unit to turn into another.
        let put = right.apply(plain, at, &self.in_watts, &mut Counters::default());
        let name = &self.all.points.get(usize::from(put.point.0))?.id;
        let point = self.today.point_named(name)?;
        Some((put.point, Imported { at, point, watts: put.value, stands }))
    }

    /// A run of the daemon, with its clock as it was at this stamp.
    fn run_of<'m>(
        &self,
        runs: &'m mut BTreeMap<i64, Run>,
        homes: &mut BTreeMap<i64, RunHome>,
        number: i64,
        (stamp, at): (Stamp, WallTime),
    ) -> Result<&'m mut Run, StoreError> {
        let offset_ms = at.0.saturating_sub(stamp.moment.0);
        let run = match runs.entry(number) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => {
                let home = match self.as_of_today {
                    true => RunHome::of_today(&self.all, self.today),
                    false => self.home_of(homes, number)?.clone(),
                };
                let recount = Recount::new(home.home.clone(), offset_ms);
                new.insert(Run { home, recount, counters: Counters::default(), offset_ms, newest: at })
            }
        };
        if run.offset_ms != offset_ms {
            run.recount.set_clock(offset_ms);
            run.offset_ms = offset_ms;
        }
        run.newest = at;
        Ok(run)
    }
}

impl Run {
    fn take(
        &mut self,
        (moment, at): (Moment, WallTime),
        reading: Reading,
        right: &PutRight,
        today: &Home,
        each: &mut impl FnMut(Told),
    ) {
        let put = right.apply(reading, at, &self.home, &mut self.counters);
        let Some(place) = self.home.place(put.point) else { return };
        let power = self.recount.take(moment, &Reading { point: place, ..put });
        if let Some((own, watts)) = power {
            each(Told::Power { point: put.point, at: own, watts });
        }
        let rows = self.home.as_today(self.recount.rows(), today);
        if !rows.is_empty() {
            each(Told::Energy(rows));
        }
    }
}

impl Run {
    fn close(self, today: &Home, each: &mut impl FnMut(Told)) {
        let Run { home, recount, .. } = self;
        each(Told::Energy(home.as_today(recount.close(), today)));
    }
}

/// A run that said nothing for two days is over.
fn close_old(runs: &mut BTreeMap<i64, Run>, now: WallTime, today: &Home, each: &mut impl FnMut(Told)) {
    let old: Vec<i64> =
        runs.iter().filter(|(_, r)| now - r.newest > Span::hours(48)).map(|(n, _)| *n).collect();
    for number in old {
        if let Some(run) = runs.remove(&number) {
            run.close(today, each);
        }
    }
}
