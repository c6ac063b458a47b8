//! The main flows of each half hour, and their sums.

use super::history::{Cell, HALF_HOUR_S, History, Peak};
use crate::home::{Home, Measures, Side};
use crate::output::Flow;

pub(super) const IMPORT: usize = 0;
pub(super) const EXPORT: usize = 1;
pub(super) const SOLAR: usize = 2;
pub(super) const HOUSE: usize = 3;
pub(super) const CHARGE: usize = 4;
pub(super) const DISCHARGE: usize = 5;

/// The main flows, in the order of those places.
pub(super) const FLOWS: [Flow; 6] =
    [Flow::Import, Flow::Export, Flow::Solar, Flow::House, Flow::Charge, Flow::Discharge];

/// The main flows of one half hour.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Half {
    pub(super) cells: [Cell; 6],
    /// Set aside from the roof.
    pub(super) noise_kwh: f64,
    /// Seconds for which everything that the home measures was known.
    pub(super) covered_s: f64,
}

impl Half {
    pub(super) fn known(&self, flow: usize) -> Option<f64> {
        self.cells.get(flow).filter(|cell| cell.is_known()).map(|cell| cell.kwh)
    }
}

/// Flows that the home measures: what is known of a time is the least that is known of these.
fn wanted(home: &Home, history: &History) -> Vec<usize> {
    let grid = [Side::Both, Side::Import, Side::Export].map(|side| home.measures(Measures::Grid(side)));
    let both = grid[0] || (grid[1] && grid[2]);
    let mut wanted = Vec::new();
    wanted.extend((both || grid[1]).then_some(IMPORT));
    wanted.extend((both || grid[2]).then_some(EXPORT));
    wanted.extend(home.measures(Measures::Solar).then_some(SOLAR));
    wanted.extend(home.measures(Measures::House).then_some(HOUSE));
    if wanted.is_empty() {
        wanted.extend((0..FLOWS.len()).filter(|i| history.has(FLOWS[*i])));
    }
    wanted
}

pub(super) fn halves(home: &Home, history: &History) -> Vec<Half> {
    let wanted = wanted(home, history);
    let columns = FLOWS.map(|flow| history.column(flow));
    let each = (0..history.slots.len()).map(|place| {
        let cells = columns.map(|column| column.get(place).copied().unwrap_or_default());
        let covered = wanted.iter().map(|flow| cells[*flow].covered_s).reduce(f64::min);
        Half { cells, noise_kwh: 0.0, covered_s: covered.unwrap_or(0.0) }
    });
    each.collect()
}

/// Energy of a flow, and how much of the time is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Energy {
    /// In kilowatt-hours, of the time that is known.
    pub kwh: f64,
    /// The share of the time that is known, 0 to 1.
    pub covered: f64,
}

/// Sums of a day, a month, or the whole span.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Totals {
    /// The share of the time for which everything that the home measures is known, 0 to 1.
    pub covered: f64,
    /// Bought.
    pub import: Option<Energy>,
    /// Sent out.
    pub export: Option<Energy>,
    /// Made by the roof, without what was set aside as noise.
    pub solar: Option<Energy>,
    /// Used by the home.
    pub house: Option<Energy>,
    /// Into the battery.
    pub charge: Option<Energy>,
    /// Out of the battery.
    pub discharge: Option<Energy>,
    /// Made and not sent out, over the half hours in which both are known, in kilowatt-hours.
    pub self_use_kwh: Option<f64>,
    /// The share of what was made that was used at home; `None` where nothing was made.
    pub self_consumption: Option<f64>,
    /// The share of the use that was not bought; `None` where nothing was used.
    pub self_sufficiency: Option<f64>,
    /// Set aside from the roof as noise, in kilowatt-hours.
    pub noise_kwh: f64,
    /// The greatest import.
    pub peak_import: Option<Peak>,
    /// The greatest export.
    pub peak_export: Option<Peak>,
    /// The greatest generation.
    pub peak_solar: Option<Peak>,
}

/// Sums under way.
#[derive(Debug, Clone, Default)]
pub(super) struct Sums {
    kwh: [f64; 6],
    seconds: [f64; 6],
    covered_s: f64,
    length_s: f64,
    /// Generation and export where both are known.
    both: Option<(f64, f64)>,
    /// Use and import where both are known.
    fed: Option<(f64, f64)>,
    noise_kwh: f64,
    peaks: [Option<Peak>; 3],
}

impl Sums {
    pub(super) fn of<'a>(halves: impl IntoIterator<Item = (&'a Half, crate::time::WallTime)>) -> Sums {
        let mut sums = Sums::default();
        for (half, start) in halves {
            sums.add(half, start);
        }
        sums
    }

    fn add(&mut self, half: &Half, start: crate::time::WallTime) {
        for (place, cell) in half.cells.iter().enumerate() {
            self.kwh[place] += cell.kwh;
            self.seconds[place] += cell.covered_s;
        }
        self.covered_s += half.covered_s;
        self.length_s += HALF_HOUR_S;
        self.noise_kwh += half.noise_kwh;
        add_pair(&mut self.both, half.known(SOLAR), half.known(EXPORT));
        add_pair(&mut self.fed, half.known(HOUSE), half.known(IMPORT));
        for (place, peak) in self.peaks.iter_mut().enumerate() {
            let cell = &half.cells[place];
            let mean = Peak { watts: cell.mean_w(), at: start, is_reading: false };
            let here = cell.peak.or((cell.is_known() && cell.kwh > 0.0 && cell.is_full()).then_some(mean));
            // A mean beside readings is less than one of them, wherever both are known.
            *peak = greater(*peak, here.filter(|p| p.watts > 0.0));
        }
    }

    pub(super) fn totals(&self) -> Totals {
        let share = |part: f64, whole: f64| (whole > 0.0).then(|| part / whole);
        let energy = |flow: usize| {
            (self.seconds[flow] > 0.0).then(|| Energy {
                kwh: self.kwh[flow],
                covered: (self.seconds[flow] / self.length_s).min(1.0),
            })
        };
        Totals {
            covered: share(self.covered_s, self.length_s).unwrap_or(0.0).min(1.0),
            import: energy(IMPORT),
            export: energy(EXPORT),
            solar: energy(SOLAR),
            house: energy(HOUSE),
            charge: energy(CHARGE),
            discharge: energy(DISCHARGE),
            self_use_kwh: self.both.map(|(solar, export)| solar - export),
            self_consumption: self.both.and_then(|(solar, export)| share(solar - export, solar)),
            self_sufficiency: self
                .fed
                .filter(|_| self.both.is_some())
                .and_then(|(house, import)| share(house - import, house)),
            noise_kwh: self.noise_kwh,
            peak_import: self.peaks[IMPORT],
            peak_export: self.peaks[EXPORT],
            peak_solar: self.peaks[SOLAR],
        }
    }
}

fn add_pair(sum: &mut Option<(f64, f64)>, one: Option<f64>, other: Option<f64>) {
    if let (Some(one), Some(other)) = (one, other) {
        let (a, b) = sum.unwrap_or_default();
        *sum = Some((a + one, b + other));
    }
}

/// The greater of two, the earlier of equal ones.
pub(super) fn greater(one: Option<Peak>, other: Option<Peak>) -> Option<Peak> {
    match (one, other) {
        (Some(a), Some(b)) if b.watts > a.watts => Some(b),
        (None, other) => other,
        (one, _) => one,
    }
}
