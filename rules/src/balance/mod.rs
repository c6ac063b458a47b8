//! The power balance: what flows where, of one age.
//!
//! ```text
//! house_w = grid_w + solar_w + battery_w       base_w  = house_w - loads_w
//! spare_w = loads_w - grid_w - battery_w - want_w   (battery served first)
//! ```
//!
//! `spare_w` and `base_w` are computed once per grid reading, with the loads' draw and the battery's power as they stood
//! at that reading's own time. Mixing ages is the worst fault of all: a slow grid meter with quick load meters would
//! send every load to its ceiling.

mod group;

use crate::home::{Home, Measures, PointId, Side};
use crate::output::{BalanceReport, BalanceValues};
use crate::reading::Meter;
use crate::time::Moment;

pub(crate) use group::{Group, Phased, grid_factor};

/// The measured parts of the balance.
#[derive(Debug, Clone)]
pub(crate) struct Parts {
    pub(crate) grid: Group,
    pub(crate) solar: Group,
    pub(crate) battery: Group,
    pub(crate) house: Group,
    /// Where the grid is not measured: house less solar less battery.
    derived_grid: Group,
    /// Where the house is not measured: grid and solar and battery.
    derived_house: Group,
    /// Where the roof is not measured: house less grid less battery.
    derived_solar: Group,
}

/// What one grid reading told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GridReading {
    /// The reading's own time.
    pub(crate) own: Moment,
    /// Power from the grid.
    pub(crate) grid: Phased,
    /// Power from the roof as it stood then, where known.
    pub(crate) solar: Option<Phased>,
    /// Power from the battery as it stood then, where known.
    pub(crate) battery: Option<Phased>,
}

/// Spare power and base, computed from one grid reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shares {
    /// The reading's own time.
    pub(crate) own: Moment,
    /// Draw of the counted loads at that time.
    pub(crate) loads: Phased,
    /// What controlled loads could draw at zero import; `None` where the battery is not known.
    pub(crate) spare: Option<Phased>,
    /// The part of the surplus that is kept for a battery served first.
    pub(crate) kept: Phased,
    /// What the home uses without its controlled loads; without the roof's part where that is not known.
    pub(crate) base: Phased,
    /// Whether `base` has all its parts, so that it may be published.
    pub(crate) base_known: bool,
}

impl Parts {
    pub(crate) fn new(home: &Home) -> Parts {
        let only = |what: Measures| Group::of(home, move |m: Measures| (m == what).then_some(1.0));
        let (grid, solar) = (Group::of(home, grid_factor), only(Measures::Solar));
        let (battery, house) = (only(Measures::Battery), only(Measures::House));
        let battery_known = battery.exists() || home.battery.is_none();
        let derive = |missing: &Group, have: [&Group; 2], f: &dyn Fn(Measures) -> Option<f64>| {
            let can = battery_known && !missing.exists() && have.iter().all(|g| g.exists());
            Group::of(home, |m| f(m).filter(|_| can))
        };
        Parts {
            derived_grid: derive(&grid, [&house, &solar], &|m| match m {
                Measures::House => Some(1.0),
                Measures::Solar | Measures::Battery => Some(-1.0),
                _ => None,
            }),
            derived_house: derive(&house, [&grid, &solar], &|m| match m {
                Measures::Solar | Measures::Battery => Some(1.0),
                m => grid_factor(m),
            }),
            derived_solar: derive(&solar, [&house, &grid], &|m| match m {
                Measures::House => Some(1.0),
                Measures::Battery => Some(-1.0),
                m => grid_factor(m).map(|f| -f),
            }),
            grid,
            solar,
            battery,
            house,
        }
    }

    /// The group that tells the grid: the measured one, else the derived one.
    pub(crate) fn grid_group(&self) -> &Group {
        if self.grid.exists() { &self.grid } else { &self.derived_grid }
    }

    /// The group that tells what the house uses.
    pub(crate) fn house_group(&self) -> &Group {
        if self.house.exists() { &self.house } else { &self.derived_house }
    }

    /// The group that tells what the roof makes.
    pub(crate) fn solar_group(&self) -> &Group {
        if self.solar.exists() { &self.solar } else { &self.derived_solar }
    }

    /// Notes a new value of `point`; `true` when it makes a new grid reading.
    pub(crate) fn reported(&mut self, point: PointId, now: Moment, home: &Home, meters: &[Meter]) -> bool {
        for group in [&mut self.solar, &mut self.battery, &mut self.house] {
            group.reported(point, now, home, meters);
        }
        self.derived_house.reported(point, now, home, meters);
        self.derived_solar.reported(point, now, home, meters);
        let measured = self.grid.reported(point, now, home, meters);
        let derived = self.derived_grid.reported(point, now, home, meters);
        measured || derived
    }

    /// The grid reading as it last changed.
    pub(crate) fn grid_reading(&self) -> Option<GridReading> {
        let (own, grid) = self.grid_group().last()?;
        Some(GridReading {
            own,
            grid,
            solar: self.solar_group().phased_at(own),
            battery: self.battery.phased_at(own),
        })
    }

    /// Spare power and base of a grid reading, given the counted loads' draw at its own time.
    ///
    /// `want_w` is the charging power that a battery served first would take if it could.
    pub(crate) fn shares(&self, home: &Home, reading: &GridReading, loads: Phased, want_w: f64) -> Shares {
        let solar = reading.solar;
        let battery_measured = self.battery.exists();
        let battery = if battery_measured { reading.battery } else { Some(Phased::ZERO) };
        let from_battery = on_phases(home, battery);
        let battery_known = if battery_measured { battery.is_some() } else { home.battery.is_none() };
        let spare_known = battery_known && sees_export(home);
        let first = home.battery.is_none_or(|b| b.first) && battery_measured;
        let kept = spread(home, if first { want_w } else { 0.0 });
        let spare = loads.plus(-1.0, reading.grid).plus(-1.0, from_battery).plus(-1.0, kept);
        let base = reading.grid.plus(1.0, from_battery).plus(1.0, on_phases(home, solar));
        Shares {
            own: reading.own,
            loads,
            spare: spare_known.then_some(spare),
            kept,
            base: base.plus(-1.0, loads),
            base_known: (solar.is_some() || self.house.exists()) && battery_known,
        }
    }

    /// What is published: every part that is fresh.
    pub(crate) fn report(
        &self,
        home: &Home,
        meters: &[Meter],
        now: Moment,
        shares: Option<&Shares>,
    ) -> Reported {
        let groups = [self.grid_group(), self.solar_group(), &self.battery, self.house_group()];
        let timed = groups.map(|g| g.value(now, home, meters));
        let parts = timed.map(|v| v.map(|(_, p)| p));
        let shares = shares.filter(|_| parts[0].is_some());
        let mut total = values(|p: Phased| Some(p.sum), parts, shares);
        let exchanged = parts[0].map(|grid| grid.exchanged(home.supply.netting));
        (total.import_w, total.export_w) = exchanged.unzip();
        let phases = match home.supply.phases {
            3 => (0..3).map(|i| values(|p: Phased| p.phases.map(|w| w[i]), parts, shares)).collect(),
            _ => Vec::new(),
        };
        let oldest = timed.into_iter().flatten().map(|(t, _)| t).min();
        Reported { oldest, report: BalanceReport { at: None, total, phases, flows: None } }
    }
}

/// Whether the home would notice that it exports. A source that counts import only says 0 then, and can't tell spare
/// power.
fn sees_export(home: &Home) -> bool {
    let import_only =
        home.measures(Measures::Grid(Side::Import)) && !home.measures(Measures::Grid(Side::Export));
    !import_only || home.measures(Measures::Grid(Side::Both))
}

/// A report with the own time of its oldest part.
pub(crate) struct Reported {
    pub(crate) oldest: Option<Moment>,
    pub(crate) report: BalanceReport,
}

fn values(
    of: impl Fn(Phased) -> Option<f64>,
    [grid, solar, battery, house]: [Option<Phased>; 4],
    shares: Option<&Shares>,
) -> BalanceValues {
    let grid_w = grid.and_then(&of);
    BalanceValues {
        grid_w,
        solar_w: solar.and_then(&of),
        battery_w: battery.and_then(&of),
        house_w: house.and_then(&of),
        import_w: grid_w.map(|w| w.max(0.0)),
        export_w: grid_w.map(|w| (-w).max(0.0)),
        loads_w: shares.map(|s| s.loads).and_then(&of),
        base_w: shares.filter(|s| s.base_known).map(|s| s.base).and_then(&of),
        spare_w: shares.and_then(|s| s.spare).and_then(&of),
    }
}

/// What is known of a part, on the phases it is on; spread evenly where that is not known.
fn on_phases(home: &Home, part: Option<Phased>) -> Phased {
    match part {
        Some(Phased { sum, phases: None }) => spread(home, sum),
        Some(known) => known,
        None => Phased::ZERO,
    }
}

/// A power that is known only in sum, spread evenly over the supply's phases.
fn spread(home: &Home, watts: f64) -> Phased {
    let phases = if home.supply.phases == 3 { [watts / 3.0; 3] } else { [watts, 0.0, 0.0] };
    Phased { sum: watts, phases: Some(phases) }
}
