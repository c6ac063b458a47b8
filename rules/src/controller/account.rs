//! The accounts: energy of every flow and load, run times, and the marks that let rules ask "since noon".

use std::sync::Arc;

use super::Controller;
use super::meters::{self, OwnMeter};
use crate::balance::{Group, Parts};
use crate::energy::{Calendar, Meterage};
use crate::home::{Home, LoadId, Measures, Point, PointId};
use crate::loads::LoadState;
use crate::output::{EnergyRow, Flow, Output, Record};
use crate::reading::{Counted, Meter};
use crate::script::{LoadLog, LoadMark};
use crate::time::{Moment, Span};

/// Marks stand this far apart.
const MARK_EVERY: Span = Span::minutes(5);

/// Marks are kept for this long: rules may ask back to a local time of the day before.
const MARKS_KEPT: Span = Span::hours(48);

/// An unmetered load's draw stands for this long at most; decisions come more often.
const ESTIMATE_STANDS: Span = Span::minutes(1);

/// Energy of the whole home and of each load.
#[derive(Debug, Clone)]
pub(crate) struct Accounts {
    import: Meterage,
    export: Meterage,
    solar: Meterage,
    house: Meterage,
    charge: Meterage,
    discharge: Meterage,
    loads: Vec<LoadAccount>,
    meters: Vec<OwnMeter>,
    /// Rows that are complete and not yet given out.
    rows: Vec<EnergyRow>,
}

/// What has been read, for whom energy is counted.
#[derive(Clone, Copy)]
pub(crate) struct Read<'a> {
    pub(crate) home: &'a Home,
    pub(crate) meters: &'a [Meter],
    pub(crate) parts: &'a Parts,
}

#[derive(Debug, Clone, Default)]
struct LoadAccount {
    meterage: Meterage,
    /// Energy of the log's time before this run of the program.
    carried_kwh: f64,
    run_time: Span,
    counted_to: Option<Moment>,
    log: Arc<LoadLog>,
}

impl Accounts {
    pub(crate) fn new(home: &Home) -> Accounts {
        Accounts {
            import: Meterage::default(),
            export: Meterage::default(),
            solar: Meterage::default(),
            house: Meterage::default(),
            charge: Meterage::default(),
            discharge: Meterage::default(),
            loads: vec![LoadAccount::default(); home.loads.len()],
            meters: meters::shared(home),
            rows: Vec::new(),
        }
    }

    pub(super) fn restore_log(&mut self, load: LoadId, log: LoadLog) {
        let account = &mut self.loads[usize::from(load.0)];
        if let Some(last) = log.marks.last() {
            (account.carried_kwh, account.run_time) = (last.energy_kwh, last.run_time);
        }
        account.log = Arc::new(log);
    }

    pub(super) fn log(&self, load: LoadId) -> LoadLog {
        LoadLog::clone(&self.loads[usize::from(load.0)].log)
    }

    pub(super) fn log_arc(&self, i: usize) -> Arc<LoadLog> {
        Arc::clone(&self.loads[i].log)
    }

    pub(super) fn load_kwh(&self, i: usize, now: Moment) -> f64 {
        let account = &self.loads[i];
        account.carried_kwh + account.meterage.total_at(now, ESTIMATE_STANDS)
    }

    pub(super) fn run_time(&self, i: usize, state: &LoadState, now: Moment) -> Span {
        let account = &self.loads[i];
        let running = account.counted_to.filter(|_| runs(state)).map_or(Span::ZERO, |t| now - t);
        account.run_time + running
    }

    /// The wall clock is set: half hours begun on the old one are closed.
    pub(crate) fn clock_is_set(&mut self, old: Calendar, offset_ms: i64) {
        if (old.offset_ms - offset_ms).abs() >= 1000 {
            self.close(old);
        }
    }

    /// Closes the running half hours as they stand; whoever keeps the rows adds up the parts of a half hour.
    pub(crate) fn close(&mut self, old: Calendar) {
        let whole = [
            (Flow::Import, &mut self.import),
            (Flow::Export, &mut self.export),
            (Flow::Solar, &mut self.solar),
            (Flow::House, &mut self.house),
            (Flow::Charge, &mut self.charge),
            (Flow::Discharge, &mut self.discharge),
        ];
        for (flow, meterage) in whole {
            self.rows.extend(meterage.close(flow, old));
        }
        for (i, account) in self.loads.iter_mut().enumerate() {
            self.rows.extend(account.meterage.close(Flow::Load(LoadId(i as u16)), old));
        }
        self.meters.iter_mut().for_each(|m| m.close(old, &mut self.rows));
    }

    /// A point has a new value: the energy of its flow goes on.
    pub(crate) fn account_for(&mut self, point: PointId, read: Read<'_>, calendar: Calendar) {
        if let Measures::Load(load) = read.home.point(point).measures {
            self.account_for_load(load, point, read, calendar);
        } else {
            self.account_for_grid(point, read, calendar);
            self.account_for_groups(read, calendar);
            self.meters.iter_mut().for_each(|m| m.account_for(point, read, calendar, &mut self.rows));
        }
    }

    fn account_for_load(&mut self, load: LoadId, point: PointId, read: Read<'_>, calendar: Calendar) {
        let Read { home, meters, .. } = read;
        let meter = &meters[usize::from(point.0)];
        let meterage = &mut self.loads[usize::from(load.0)].meterage;
        let flow = Flow::Load(load);
        if let Some((at, kwh)) = registers(home, meters, point).0 {
            meterage.register(flow, at, kwh, calendar, &mut self.rows);
        } else if let Some((at, watts)) = meter.newest() {
            let gap = meter.gap_after(home.point(point));
            meterage.sample(flow, at, watts.max(0.0), gap, calendar, &mut self.rows);
        }
    }

    /// The grid: by the registers of its point where it sends them, else by its power, import and export apart.
    fn account_for_grid(&mut self, point: PointId, read: Read<'_>, calendar: Calendar) {
        let Read { home, meters, parts } = read;
        let group = parts.grid_group();
        let registers = sole(group).map(|p| (registers(home, meters, p), p == point));
        let (imported, exported) = match registers {
            Some((both, true)) => both,
            _ => (None, None),
        };
        let has_registers = registers.is_some_and(|((i, e), _)| i.is_some() && e.is_some());
        let rows = &mut self.rows;
        if has_registers {
            if let (Some((t, kwh)), Some((u, out))) = (imported, exported) {
                self.import.register(Flow::Import, t, kwh, calendar, rows);
                self.export.register(Flow::Export, u, out, calendar, rows);
            }
            return;
        }
        if let Some((at, grid)) = group.last() {
            let gap = gap_of(home, meters, group);
            let (bought, sent_out) = grid.exchanged(home.supply.netting);
            self.import.sample(Flow::Import, at, bought, gap, calendar, rows);
            self.export.sample(Flow::Export, at, sent_out, gap, calendar, rows);
        }
    }

    fn account_for_groups(&mut self, read: Read<'_>, calendar: Calendar) {
        let Read { home, meters, parts } = read;
        let groups = [
            (parts.solar_group(), Flow::Solar, &mut self.solar),
            (parts.house_group(), Flow::House, &mut self.house),
        ];
        for (group, flow, meterage) in groups {
            let register = sole(group).and_then(|p| registers(home, meters, p).0);
            if let Some((at, kwh)) = register {
                meterage.register(flow, at, kwh, calendar, &mut self.rows);
            } else if let Some((at, value)) = group.last() {
                let gap = gap_of(home, meters, group);
                meterage.sample(flow, at, value.sum, gap, calendar, &mut self.rows);
            }
        }
        if let Some((at, battery)) = parts.battery.last() {
            let gap = gap_of(home, meters, &parts.battery);
            let (into, out) = ((-battery.sum).max(0.0), battery.sum.max(0.0));
            self.charge.sample(Flow::Charge, at, into, gap, calendar, &mut self.rows);
            self.discharge.sample(Flow::Discharge, at, out, gap, calendar, &mut self.rows);
        }
    }

    /// Nothing is known of `point` from its newest value on: the value does not stand until the next one.
    pub(crate) fn ends(&mut self, point: PointId, home: &Home, parts: &Parts) {
        if let Measures::Load(load) = home.point(point).measures {
            self.loads[usize::from(load.0)].meterage.ends();
            return;
        }
        self.meters.iter_mut().for_each(|m| m.ends(point));
        let groups = [
            (parts.grid_group(), vec![&mut self.import, &mut self.export]),
            (parts.solar_group(), vec![&mut self.solar]),
            (parts.house_group(), vec![&mut self.house]),
            (&parts.battery, vec![&mut self.charge, &mut self.discharge]),
        ];
        for (group, flows) in groups {
            if group.points().any(|p| p == point) {
                flows.into_iter().for_each(Meterage::ends);
            }
        }
    }

    /// Rows that are complete, each once.
    pub(crate) fn take_rows(&mut self) -> Vec<EnergyRow> {
        std::mem::take(&mut self.rows)
    }
}

impl Controller {
    /// A point has a new value: the energy of its flow goes on.
    pub(super) fn account_for(&mut self, point: PointId) {
        let calendar = self.clock.calendar();
        let read = Read { home: &self.home, meters: &self.meters, parts: &self.parts };
        self.accounts.account_for(point, read, calendar);
    }

    /// Run times, estimates and marks at the end of a decision; complete rows are given out.
    pub(super) fn keep_accounts(&mut self) {
        let (now, calendar) = (self.now, self.clock.calendar());
        if self.stopping {
            self.accounts.close(calendar);
        }
        for i in 0..self.states.len() {
            let account = &mut self.accounts.loads[i];
            if self.meter_of[i].is_none() {
                let (flow, watts) = (Flow::Load(LoadId(i as u16)), self.states[i].confirmed_w);
                account.meterage.sample(flow, now, watts, ESTIMATE_STANDS, calendar, &mut self.accounts.rows);
            }
            self.count_run_time(i);
            self.mark(i);
        }
        for row in self.accounts.take_rows() {
            self.give(Output::Record(Record::Energy(row)));
        }
    }

    /// Counts the time that load `i` ran until now; to be called before its state changes, and after each decision.
    pub(super) fn count_run_time(&mut self, i: usize) {
        let (now, running) = (self.now, runs(&self.states[i]));
        let account = &mut self.accounts.loads[i];
        if let Some(then) = account.counted_to.replace(now)
            && running
        {
            account.run_time += now - then;
        }
    }

    /// Sets a mark at whole multiples of five minutes of the wall clock.
    fn mark(&mut self, i: usize) {
        let Some(wall) = self.clock.believed_wall(self.now) else { return };
        let last = self.accounts.loads[i].log.marks.last().map(|m| m.at);
        let due = last
            .is_none_or(|at| wall < at || wall.0.div_euclid(MARK_EVERY.0) > at.0.div_euclid(MARK_EVERY.0));
        if !due {
            return;
        }
        let energy_kwh = self.accounts.load_kwh(i, self.now);
        let account = &mut self.accounts.loads[i];
        let mark = LoadMark { at: wall, energy_kwh, run_time: account.run_time };
        let log = Arc::make_mut(&mut account.log);
        log.marks.retain(|m| m.at < wall && wall - m.at <= MARKS_KEPT);
        log.marks.push(mark);
        self.give(Output::Record(Record::LoadMark { load: LoadId(i as u16), mark }));
    }
}

fn runs(state: &LoadState) -> bool {
    state.on && state.setpoint_w > 0.0
}

fn sole(group: &Group) -> Option<PointId> {
    let mut members = group.points();
    members.next().filter(|_| members.next().is_none())
}

/// The registers of a point, drawn and sent out: further quantities of its device, or what it counts itself.
pub(super) fn registers(home: &Home, meters: &[Meter], point: PointId) -> (Counted, Counted) {
    let meter = &meters[usize::from(point.0)];
    let described: &Point = home.point(point);
    let (imported, exported) = meter.registers();
    (imported.or_else(|| meter.counted_kwh(described)), exported)
}

fn gap_of(home: &Home, meters: &[Meter], group: &Group) -> Span {
    let gaps = group.points().map(|p| meters[usize::from(p.0)].gap_after(home.point(p)));
    gaps.max().unwrap_or(Span::ZERO)
}
