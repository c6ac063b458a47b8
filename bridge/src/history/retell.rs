//! The journal told again: numbers as received become power and energy by the definitions of their time, with whatever was
//! put right since, through the same meters, balance and accounts as when they came in.

use std::collections::BTreeMap;

use overspill_rules::home::{Home, PointId};
use overspill_rules::input::{Input, Reading};
use overspill_rules::output::EnergyRow;
use overspill_rules::recount::Recount;
use overspill_rules::time::{Moment, Span, WallTime};

use super::merge::{Imported, Merge};
use super::past_home::{RunHome, all_points};
use super::put_right::{Counters, PutRight};
use crate::store::{Counted, ImportRun, Stands, Stamp, StoreError, StoreReader, whole};

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
}

/// One run of the daemon under way.
struct Run {
    home: RunHome,
    recount: Recount,
    counters: Counters,
    offset_ms: i64,
    newest: WallTime,
}

/// A reading with where it comes from.
type Heard = (i64, Stamp, Reading);

impl<'a> Retelling<'a> {
    pub(crate) fn open(reader: &'a StoreReader, today: &'a Home) -> Result<Retelling<'a>, StoreError> {
        let all = all_points(reader, today)?;
        let imports = reader.imports()?.into_iter().map(|i| (i.run, i)).collect();
        let in_watts = RunHome::in_watts(&all);
        Ok(Retelling { reader, today, all, in_watts, imports })
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
        let longest = self.imports.values().flat_map(|i| i.stands.values()).map(|s| s.at_most.max(s.usually));
        let reach = longest.max().unwrap_or(Span::ZERO);
        let lead = LEAD.max(reach);
        let (mut begin, end) = (from + Span(-lead.0), to + lead);
        let mut runs: BTreeMap<i64, Run> = BTreeMap::new();
        let mut merge = Merge::new(self.today);
        let mut homes: BTreeMap<i64, RunHome> = BTreeMap::new();
        while begin < end {
            let part_end = (begin + PART).min(end);
            let heard = self.heard(begin, part_end + reach)?;
            let mut numbers = Vec::new();
            for (run, stamp, reading) in heard {
                let Some(at) = stamp.wall else { continue };
                if let Some(import) = self.imports.get(&run) {
                    let home = self.home_of(&mut homes, run)?;
                    if let Some(number) = self.imported(import, home, at, reading, right) {
                        if at < part_end {
                            each(Told::Power { point: reading_point(&self.all, self.today, number.point), at, watts: number.watts });
                        }
                        numbers.push(number);
                    }
                } else if which == Which::All && at < part_end {
                    self.recorded(&mut runs, &mut homes, run, (stamp, at), reading, right, &mut each)?;
                }
            }
            each(Told::Energy(merge.take(&numbers, part_end)));
            close_old(&mut runs, part_end, &mut each);
            seen(part_end.min(to));
            begin = part_end;
        }
        each(Told::Energy(merge.close()));
        runs.into_values().for_each(|run| each(Told::Energy(run.recount.close())));
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

    fn heard(&self, from: WallTime, to: WallTime) -> Result<Vec<Heard>, StoreError> {
        let mut heard = Vec::new();
        self.reader.inputs(&self.all, from, to, |entry| {
            if let Ok(Input::Reading(reading)) = entry.input {
                heard.push((entry.run, entry.stamp, reading));
            }
        })?;
        Ok(heard)
    }

    fn home_of<'m>(
        &self,
        homes: &'m mut BTreeMap<i64, RunHome>,
        run: i64,
    ) -> Result<&'m RunHome, StoreError> {
        use std::collections::btree_map::Entry;
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
    ) -> Option<Imported> {
        let described = home.point(reading.point).filter(|_| reading.extra.is_none())?;
        let series = format!("point.{}", described.id);
        let stands: Stands = *import.stands.get(&series)?;
        let unit = if described.unit == overspill_rules::home::Unit::Kw { 1000.0 } else { 1.0 };
        let plain = Reading { value: reading.value * unit, ..reading };
        // In watts already: there is no counter and no unit to turn into another.
        let put = right.apply(plain, at, &self.in_watts, &mut Counters::default());
        let name = &self.all.points.get(usize::from(put.point.0))?.id;
        Some(Imported { at, point: self.today.point_named(name)?, watts: put.value, stands })
    }

    #[allow(clippy::too_many_arguments)]
    fn recorded(
        &self,
        runs: &mut BTreeMap<i64, Run>,
        homes: &mut BTreeMap<i64, RunHome>,
        number: i64,
        (stamp, at): (Stamp, WallTime),
        reading: Reading,
        right: &PutRight,
        each: &mut impl FnMut(Told),
    ) -> Result<(), StoreError> {
        let offset_ms = at.0.saturating_sub(stamp.moment.0);
        if !runs.contains_key(&number) {
            let home = self.home_of(homes, number)?.clone();
            let recount = Recount::new(home.home.clone(), offset_ms);
            let run = Run { home, recount, counters: Counters::default(), offset_ms, newest: at };
            runs.insert(number, run);
        }
        let Some(run) = runs.get_mut(&number) else { return Ok(()) };
        if run.offset_ms != offset_ms {
            run.recount.set_clock(offset_ms);
            run.offset_ms = offset_ms;
        }
        run.newest = at;
        let put = right.apply(reading, at, &run.home, &mut run.counters);
        let Some(place) = run.home.place(put.point) else { return Ok(()) };
        let power = run.recount.take(Moment(stamp.moment.0), &Reading { point: place, ..put });
        if let Some((own, watts)) = power {
            each(Told::Power { point: put.point, at: own, watts });
        }
        let rows = run.recount.rows();
        if !rows.is_empty() {
            each(Told::Energy(rows));
        }
        Ok(())
    }
}

/// A point of today's home among all points.
fn reading_point(all: &Home, today: &Home, point: PointId) -> PointId {
    let id = today.points.get(usize::from(point.0)).map(|p| p.id.as_str());
    id.and_then(|id| all.point_named(id)).unwrap_or(point)
}

/// A run that said nothing for two days is over.
fn close_old(runs: &mut BTreeMap<i64, Run>, now: WallTime, each: &mut impl FnMut(Told)) {
    let old: Vec<i64> =
        runs.iter().filter(|(_, r)| now - r.newest > Span::hours(48)).map(|(n, _)| *n).collect();
    for number in old {
        if let Some(run) = runs.remove(&number) {
            each(Told::Energy(run.recount.close()));
        }
    }
}
