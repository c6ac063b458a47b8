//! Energy columns of CSV files: kept as they came, and shared out to half hours.
//!
//! Where rows overlap, the shortest counts: a day's total stands only for those parts of the day of which nothing finer is
//! known. A row with the same start and end replaces the one before.

use std::collections::BTreeMap;

use overspill_rules::energy::over_half_hours;
use overspill_rules::home::{Home, PointId};
use overspill_rules::output::Flow;
use overspill_rules::time::{Span, WallTime};
use rusqlite::{Connection, OptionalExtension, params};

use super::half_hours::{HALF_HOUR, Source};
use super::{Parts, PastStore};
use crate::store::days::{self, Touched};
use crate::store::error::StoreError;
use crate::store::names::Names;
use crate::store::reader::StoreReader;

/// No row of a file stands longer: two months, as meters are read.
pub(crate) const LONGEST: Span = Span::hours(62 * 24);

/// Energy of one point in one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NewEnergy {
    pub(crate) point: PointId,
    pub(crate) flow: Flow,
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
    pub(crate) kwh: f64,
}

/// What became of rows.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Added {
    pub(crate) new: u64,
    /// Of the same start and end as one before, with another number.
    pub(crate) changed: u64,
    /// There already.
    pub(crate) same: u64,
}

/// Part of a row that counts.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    from: i64,
    to: i64,
    kwh: f64,
}

/// Energy and seconds of half hours, by their start.
type HalfHours = BTreeMap<i64, (f64, f64)>;

impl PastStore {
    /// Adds energies and works out the half hours they reach into.
    ///
    /// `flows` says which points make up each flow that may have changed.
    pub(crate) fn add_energies(
        &mut self,
        energies: &[NewEnergy],
        flows: &[(Flow, Vec<PointId>)],
    ) -> Result<Added, StoreError> {
        let first = energies.iter().map(|e| e.from.0).min();
        let last = energies.iter().map(|e| e.to.0).max();
        let (Some(first), Some(last)) = (first, last) else { return Ok(Added::default()) };
        let lo = first.div_euclid(HALF_HOUR) * HALF_HOUR;
        let hi = (last + HALF_HOUR - 1).div_euclid(HALF_HOUR) * HALF_HOUR;
        self.change(|parts, change| {
            let mut added = Added::default();
            for energy in energies {
                parts.add_energy(change, energy, &mut added)?;
            }
            let mut touched = Touched::new();
            for (flow, points) in flows {
                let rows = parts.half_hours(change, *flow, points, lo, hi)?;
                parts.put_half_hours(change, *flow, &rows, &mut touched)?;
            }
            parts.derive_house(change, lo, hi, &mut touched)?;
            days::refresh(change, parts.zone, &touched)?;
            Ok(added)
        })
    }
}

impl StoreReader {
    /// What would become of these energies of `home`.
    pub(crate) fn weigh_energies(&self, home: &Home, energies: &[NewEnergy]) -> Result<Added, StoreError> {
        let names = Names::of(home);
        self.reading(|conn| {
            let mut added = Added::default();
            for energy in energies {
                let name = name(&names, energy.point, energy.flow);
                note(&mut added, known(conn, &name, energy)?, energy.kwh);
            }
            Ok(added)
        })
    }
}

fn name(names: &Names, point: PointId, flow: Flow) -> String {
    let word = names.flow(flow);
    let word = word.split('.').next().unwrap_or("");
    format!("{}.{word}", names.point_series(point, None))
}

fn known(conn: &Connection, name: &str, e: &NewEnergy) -> rusqlite::Result<Option<f64>> {
    conn.prepare_cached("SELECT kwh FROM imported_energy WHERE name = ?1 AND start = ?2 AND until = ?3")?
        .query_row(params![name, e.from.0, e.to.0], |r| r.get(0))
        .optional()
}

fn note(added: &mut Added, known: Option<f64>, kwh: f64) {
    match known {
        None => added.new += 1,
        Some(before) if before == kwh => added.same += 1,
        Some(_) => added.changed += 1,
    }
}

impl Parts<'_> {
    fn add_energy(&self, conn: &Connection, e: &NewEnergy, added: &mut Added) -> rusqlite::Result<()> {
        let name = name(self.names, e.point, e.flow);
        note(added, known(conn, &name, e)?, e.kwh);
        conn.prepare_cached("INSERT OR REPLACE INTO imported_energy VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![name, e.from.0, e.to.0, e.kwh])
            .map(|_| ())
    }

    /// The half hours of a flow. Where one of its points is missing the flow is not known.
    fn half_hours(
        &self,
        conn: &Connection,
        flow: Flow,
        points: &[PointId],
        lo: i64,
        hi: i64,
    ) -> rusqlite::Result<HalfHours> {
        let mut flow_rows: Option<HalfHours> = None;
        for point in points {
            let mut rows = HalfHours::new();
            let pieces = pieces(conn, &name(self.names, *point, flow), lo, hi)?;
            for part in pieces.iter().flat_map(|p| over_half_hours(WallTime(p.from), WallTime(p.to), p.kwh)) {
                if part.start.0 >= lo && part.start.0 < hi {
                    let row = rows.entry(part.start.0).or_default();
                    row.0 += part.kwh;
                    row.1 += part.covered.as_seconds();
                }
            }
            flow_rows = Some(match flow_rows {
                None => rows,
                Some(before) => sum(&before, &rows, 1.0),
            });
        }
        Ok(flow_rows.unwrap_or_default())
    }

    fn put_half_hours(
        &self,
        conn: &Connection,
        flow: Flow,
        rows: &HalfHours,
        touched: &mut Touched,
    ) -> rusqlite::Result<()> {
        let flow = self.names.flow(flow);
        for (start, (kwh, covered_s)) in rows {
            Source::ImportedEnergy.put(conn, &flow, *start, (*kwh, *covered_s), None)?;
            touched.insert((flow.clone(), *start));
        }
        Ok(())
    }

    /// What the house used, where it is not measured itself: what came in less what went out.
    fn derive_house(
        &self,
        conn: &Connection,
        lo: i64,
        hi: i64,
        touched: &mut Touched,
    ) -> rusqlite::Result<()> {
        use overspill_rules::home::{Measures as M, Side};
        let has = |m: M| self.home.measures(m);
        let grid = has(M::Grid(Side::Both)) || (has(M::Grid(Side::Import)) && has(M::Grid(Side::Export)));
        if has(M::House) || !grid || !has(M::Solar) || (self.home.battery.is_some() && !has(M::Battery)) {
            return Ok(());
        }
        let battery: &[(Flow, f64)] =
            if has(M::Battery) { &[(Flow::Discharge, 1.0), (Flow::Charge, -1.0)] } else { &[] };
        let mut house = self.told(conn, Flow::Import, lo, hi)?;
        let rest = [(Flow::Export, -1.0), (Flow::Solar, 1.0)];
        for (flow, sign) in rest.iter().chain(battery) {
            house = sum(&house, &self.told(conn, *flow, lo, hi)?, *sign);
        }
        self.put_half_hours(conn, Flow::House, &house, touched)
    }

    /// Half hours of a flow that come from energy columns.
    fn told(&self, conn: &Connection, flow: Flow, lo: i64, hi: i64) -> rusqlite::Result<HalfHours> {
        let mut query = conn.prepare_cached(
            "SELECT start, kwh, covered_s FROM energy
             WHERE flow = ?1 AND start >= ?2 AND start < ?3 AND run = 0 AND clock = ?4",
        )?;
        let rows = query
            .query_map(params![self.names.flow(flow), lo, hi, Source::ImportedEnergy.code()], |r| {
                Ok((r.get(0)?, (r.get(1)?, r.get(2)?)))
            })?;
        rows.collect()
    }
}

/// Of both, where both are known; covered as far as the one that is less so.
fn sum(one: &HalfHours, other: &HalfHours, sign: f64) -> HalfHours {
    let both = one.iter().filter_map(|(start, a)| Some((start, a, other.get(start)?)));
    both.map(|(start, a, b)| (*start, (a.0 + sign * b.0, a.1.min(b.1)))).collect()
}

/// The parts of rows that count between `lo` and `hi`, none over another.
fn pieces(conn: &Connection, name: &str, lo: i64, hi: i64) -> rusqlite::Result<Vec<Piece>> {
    let mut query = conn.prepare_cached(
        "SELECT start, until, kwh FROM imported_energy
         WHERE name = ?1 AND start < ?3 AND start > ?2 - ?4 AND until > ?2",
    )?;
    let rows = query.query_map(params![name, lo, hi, LONGEST.0], |r| {
        Ok(Piece { from: r.get(0)?, to: r.get(1)?, kwh: r.get(2)? })
    })?;
    let mut rows = rows.collect::<rusqlite::Result<Vec<Piece>>>()?;
    rows.sort_by_key(|p| (p.to - p.from, p.from));
    Ok(none_over_another(&rows))
}

/// The shortest rows come first; each later one keeps what those leave free.
fn none_over_another(rows: &[Piece]) -> Vec<Piece> {
    let mut taken: BTreeMap<i64, i64> = BTreeMap::new();
    let mut pieces = Vec::with_capacity(rows.len());
    for row in rows {
        for (from, to) in free(&taken, row.from, row.to) {
            let share = (to - from) as f64 / (row.to - row.from) as f64;
            pieces.push(Piece { from, to, kwh: row.kwh * share });
            taken.insert(from, to);
        }
    }
    pieces
}

/// What `taken` leaves free between two times.
fn free(taken: &BTreeMap<i64, i64>, from: i64, to: i64) -> Vec<(i64, i64)> {
    let before = taken.range(..from).next_back().map_or(from, |(_, end)| *end);
    let mut begin = from.max(before);
    let mut free = Vec::new();
    for (start, end) in taken.range(from..to) {
        if *start > begin {
            free.push((begin, *start));
        }
        begin = begin.max(*end);
    }
    if begin < to {
        free.push((begin, to));
    }
    free
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(from: i64, to: i64, kwh: f64) -> Piece {
        Piece { from, to, kwh }
    }

    #[test]
    fn a_long_row_keeps_what_shorter_ones_leave_free() {
        let rows = [piece(10, 20, 1.0), piece(30, 40, 2.0), piece(0, 50, 10.0)];
        let wanted = [
            piece(10, 20, 1.0),
            piece(30, 40, 2.0),
            piece(0, 10, 2.0),
            piece(20, 30, 2.0),
            piece(40, 50, 2.0),
        ];
        assert_eq!(none_over_another(&rows), wanted);
    }

    #[test]
    fn rows_side_by_side_count_whole() {
        let rows = [piece(0, 10, 1.0), piece(10, 20, 2.0)];
        assert_eq!(none_over_another(&rows), rows);
    }
}
