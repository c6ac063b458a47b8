//! Half hours that were not counted as they happened.

use overspill_rules::output::{EnergyRow, Flow, PeakReading};
use overspill_rules::time::WallTime;
use rusqlite::{Connection, params};

use super::PastStore;
use crate::store::days::{self, Touched};
use crate::store::error::StoreError;

/// Length of a half hour in milliseconds.
pub(crate) const HALF_HOUR: i64 = 1_800_000;

/// The first half hour boundary that is not before `at`.
pub(crate) fn ending(at: WallTime) -> WallTime {
    WallTime(at.0.saturating_add(HALF_HOUR - 1).div_euclid(HALF_HOUR) * HALF_HOUR)
}

/// Where a half hour comes from, as `energy.clock` says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    /// Energy columns of a file.
    ImportedEnergy,
    /// Power columns of a file.
    ImportedPower,
    /// Counted again because of corrections.
    Again,
}

/// A whole half hour of a flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Counted {
    pub(crate) flow: Flow,
    pub(crate) start: WallTime,
    pub(crate) kwh: f64,
    pub(crate) covered_s: f64,
    pub(crate) peak: Option<PeakReading>,
}

impl Source {
    pub(super) fn code(self) -> i64 {
        match self {
            Source::ImportedEnergy => 3,
            Source::ImportedPower => 4,
            Source::Again => 5,
        }
    }

    /// Puts a half hour in the place of the one from the same source.
    pub(super) fn put(
        self,
        conn: &Connection,
        flow: &str,
        start: i64,
        (kwh, covered_s): (f64, f64),
        peak: Option<PeakReading>,
    ) -> rusqlite::Result<()> {
        let (peak_w, peak_ms) = peak.map(|peak| (peak.watts, peak.at.0 - start)).unzip();
        conn.prepare_cached("INSERT OR REPLACE INTO energy VALUES (?1, ?2, 0, ?3, ?4, ?5, ?6, ?7)")?
            .execute(params![flow, start, self.code(), kwh, covered_s, peak_w, peak_ms])
            .map(|_| ())
    }
}

impl PastStore {
    /// Puts half hours that were counted from power columns.
    pub(crate) fn put_counted(&mut self, rows: &[Counted]) -> Result<(), StoreError> {
        self.put(Source::ImportedPower, rows)
    }

    /// Puts half hours that were counted again because of corrections.
    pub(crate) fn put_again(&mut self, rows: &[Counted]) -> Result<(), StoreError> {
        self.put(Source::Again, rows)
    }

    fn put(&mut self, source: Source, rows: &[Counted]) -> Result<(), StoreError> {
        self.change(|parts, change| {
            let mut touched = Touched::new();
            for row in rows {
                let flow = parts.names.flow(row.flow);
                source.put(change, &flow, row.start.0, (row.kwh, row.covered_s), row.peak)?;
                touched.insert((flow, row.start.0));
            }
            days::refresh(change, parts.zone, &touched)
        })
    }
}

/// Adds up the parts of each half hour.
pub(crate) fn whole(rows: &[EnergyRow]) -> Vec<Counted> {
    let mut sums: std::collections::BTreeMap<(WallTime, Flow), Counted> = Default::default();
    for EnergyRow { flow, start, kwh, covered_s, peak, .. } in rows.iter().copied() {
        let none = Counted { flow, start, kwh: 0.0, covered_s: 0.0, peak: None };
        let sum = sums.entry((start, flow)).or_insert(none);
        sum.kwh += kwh;
        sum.covered_s += covered_s;
        sum.peak = PeakReading::greater(sum.peak, peak);
    }
    sums.into_values().map(|sum| Counted { covered_s: sum.covered_s.min(1800.0), ..sum }).collect()
}
