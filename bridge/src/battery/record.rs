//! Half hours of the journal as they would have been without a battery.

use std::collections::BTreeMap;

use overspill_rules::answers::battery::Observed;
use overspill_rules::home::{Home, Measures, Side};
use overspill_rules::time::WallTime;

use crate::store::HalfHour;

/// Flows of one half hour that were seen for times that differ by more, in seconds, do not belong together.
const APART_S: f64 = 60.0;

/// The record, and what is to be said of it.
#[derive(Debug, Clone, Default)]
pub(super) struct Record {
    pub(super) seen: Vec<Observed>,
    /// Half hours of which only their net is known: what went both ways in them is hidden.
    pub(super) netted: usize,
    /// Bought and sent out in the same half hours, in kilowatt-hours.
    pub(super) both_ways_kwh: f64,
    /// The home's own battery was taken out.
    pub(super) without_own: bool,
}

/// What is known of one half hour: energy and seconds, by flow.
type Flows<'a> = BTreeMap<&'a str, (f64, f64)>;

impl Record {
    pub(super) fn new(home: &Home, rows: &[HalfHour]) -> Record {
        let mut record =
            Record { without_own: rows.iter().any(|row| row.flow == "charge"), ..Record::default() };
        for rows in rows.chunk_by(|a, b| a.start == b.start) {
            let Some(first) = rows.first() else { continue };
            let flows = rows.iter().map(|row| (row.flow.as_str(), (row.kwh, row.covered_s))).collect();
            record.take(home, first.start, &flows);
        }
        record
    }

    fn take(&mut self, home: &Home, start: WallTime, flows: &Flows<'_>) {
        let Some((import_kwh, export_kwh, covered_s)) = self.at_grid(home, flows) else { return };
        self.both_ways_kwh += import_kwh.min(export_kwh);
        let solar_kwh = flows.get("solar").map_or(0.0, |(kwh, _)| *kwh);
        self.seen.push(Observed { start, hours: covered_s / 3600.0, import_kwh, export_kwh, solar_kwh });
    }

    /// Import, export and the seconds they are for.
    fn at_grid(&mut self, home: &Home, flows: &Flows<'_>) -> Option<(f64, f64, f64)> {
        let sum = |signs: &[(&str, f64)]| together(flows, signs);
        if self.without_own {
            let without = [("import", 1.0), ("export", -1.0), ("discharge", 1.0), ("charge", -1.0)];
            let found = sum(&without)
                .filter(|_| sees_export(home))
                .or_else(|| sum(&[("house", 1.0), ("solar", -1.0)]));
            return self.net(found);
        }
        let both = sum(&[("import", 1.0), ("export", -1.0)]).filter(|_| sees_export(home));
        if let Some((_, covered_s)) = both {
            return Some((flows.get("import")?.0, flows.get("export")?.0, covered_s));
        }
        if sends_nothing_out(home) {
            return sum(&[("import", 1.0)]).map(|(kwh, covered_s)| (kwh, 0.0, covered_s));
        }
        self.net(sum(&[("house", 1.0), ("solar", -1.0)]))
    }

    fn net(&mut self, found: Option<(f64, f64)>) -> Option<(f64, f64, f64)> {
        let (kwh, covered_s) = found?;
        self.netted += 1;
        Some((kwh.max(0.0), (-kwh).max(0.0), covered_s))
    }
}

/// The sum of flows, where all of them were seen for the same time.
fn together(flows: &Flows<'_>, signs: &[(&str, f64)]) -> Option<(f64, f64)> {
    let each: Option<Vec<(f64, f64)>> =
        signs.iter().map(|(flow, sign)| flows.get(flow).map(|(kwh, s)| (sign * kwh, *s))).collect();
    let each = each?;
    let least_s = each.iter().map(|(_, s)| *s).fold(f64::INFINITY, f64::min);
    let most_s = each.iter().map(|(_, s)| *s).fold(0.0, f64::max);
    let is_one = most_s - least_s <= APART_S && least_s > 0.0;
    is_one.then(|| (each.iter().map(|(kwh, _)| kwh).sum(), least_s))
}

/// A home that makes nothing sends nothing out, so that an import meter alone tells all.
fn sends_nothing_out(home: &Home) -> bool {
    !sees_export(home) && !home.measures(Measures::Solar) && !home.measures(Measures::Battery)
}

/// A meter of import alone says nothing of what is sent out, though the record has 0 of it.
fn sees_export(home: &Home) -> bool {
    let sees = [Side::Both, Side::Export].into_iter().any(|side| home.measures(Measures::Grid(side)));
    sees || !home.measures(Measures::Grid(Side::Import))
}
