//! Looks at every input and output, and knows the laws but not the controller.

use std::sync::Arc;

use overspill_rules::home::{Fallback, Home, Load, LoadId, Measures};
use overspill_rules::input::{Amount, End, Input, OverrideRequest, Role, Want};
use overspill_rules::output::{Command, Limit, LoadReport, Output, Record};
use overspill_rules::time::Moment;
use proptest::prelude::*;
use proptest::test_runner::TestCaseResult;

use super::world::START;

/// Nominal volts; no home of these tests measures them.
pub const VOLTS: f64 = 230.0;

/// What may cut `min_on` short: bounds, and faults that end in a fallback.
const BOUNDS: [Limit; 9] = [
    Limit::Supply,
    Limit::Circuit,
    Limit::Stale,
    Limit::Rule,
    Limit::NoAnswer,
    Limit::TooHot,
    Limit::NotReady,
    Limit::OutOfService,
    Limit::Watching,
];

/// What is known of one load.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    pub report: Option<LoadReport>,
    on: bool,
    on_at: Option<i64>,
    off_at: Option<i64>,
    commanded_at: Option<i64>,
    /// What its own meter said last, in watts.
    pub metered_w: Option<f64>,
    /// It went off before the program last began: only the wall clock tells when.
    off_before: bool,
    out_of_service: bool,
    /// The override that must hold: on or off, and its end.
    held: Option<(bool, i64)>,
}

pub struct Witness {
    pub home: Arc<Home>,
    pub loads: Vec<Seen>,
    /// Own time and stale moment of the newest value of each grid point.
    grid: Vec<(usize, Option<i64>)>,
    /// The base of each phase as it was last published, in watts.
    pub base_w: Option<[f64; 3]>,
    /// The wall clock was set since the program began.
    clock_was_set: bool,
    pub watching: bool,
    /// What the wall clock is ahead; `None` once it has jumped.
    offset_ms: Option<i64>,
    /// The wall clock is as it was at the beginning, and believed.
    clock_stands: bool,
    asked: Vec<Asked>,
}

/// A person's request just heard.
struct Asked {
    load: LoadId,
    /// What it must come to: taken, refused, or (where its amount is odd) either.
    taken: Option<bool>,
    /// What holds once it is taken: on or off, and its end.
    held: Option<(bool, i64)>,
}

impl Witness {
    pub fn new(home: Arc<Home>) -> Witness {
        let grid = home.points.iter().enumerate().filter(|(_, p)| matches!(p.measures, Measures::Grid(_)));
        Witness {
            loads: vec![Seen::default(); home.loads.len()],
            grid: grid.map(|(i, _)| (i, None)).collect(),
            base_w: None,
            clock_was_set: false,
            watching: false,
            offset_ms: Some(START.0),
            clock_stands: true,
            asked: Vec::new(),
            home,
        }
    }

    /// The program has ended and begins again: loads that were on are switched off by its start.
    pub fn restarted(&mut self, now: i64) {
        self.grid.iter_mut().for_each(|(_, at)| *at = None);
        (self.base_w, self.watching, self.clock_was_set) = (None, false, false);
        for load in &mut self.loads {
            load.off_before = !load.on;
            if std::mem::take(&mut load.on) {
                load.off_at = Some(now);
            }
            load.commanded_at = None;
            load.report = None;
            // Overrides are kept by wall time, and wait until that is known again.
            load.held = load.held.filter(|_| self.clock_stands);
        }
    }

    pub fn hears(&mut self, now: i64, input: &Input, offset_ms: i64) {
        match input {
            Input::Reading(r) if r.extra.is_none() && !r.retained => {
                let Some(point) = self.home.points.get(usize::from(r.point.0)) else { return };
                let plausible = point.plausible.is_none_or(|(low, high)| (low..=high).contains(&r.value));
                if plausible && r.value.is_finite() {
                    let stale_at = now - point.lag.0 + point.stale_after.0;
                    if let Measures::Load(load) = point.measures {
                        self.loads[usize::from(load.0)].metered_w = Some(r.value);
                    }
                    let mine = self.grid.iter_mut().find(|(i, _)| *i == usize::from(r.point.0));
                    mine.into_iter().for_each(|(_, at)| *at = Some(stale_at));
                }
            }
            Input::ClockSet { .. } => {
                self.offset_ms = self.offset_ms.filter(|first| *first == offset_ms);
                self.clock_stands &= !self.clock_was_set;
                self.clock_was_set = true;
            }
            Input::Role(role) => self.watching = *role == Role::Watch,
            Input::OutOfService { load, out, .. } => {
                self.loads[usize::from(load.0)].out_of_service = *out;
            }
            Input::Override(request) => self.hears_override(now, request, offset_ms),
            _ => {}
        }
    }

    /// What the contract says of this request.
    fn hears_override(&mut self, now: i64, request: &OverrideRequest, offset_ms: i64) {
        let load = self.home.load(request.load);
        let end = match request.end {
            None => now + 2 * 3_600_000,
            Some(End::For(span)) => now + span.0,
            Some(End::Until(wall)) => wall.0 - offset_ms,
        };
        let timely = end > now && end - now <= 24 * 3_600_000;
        let on_amount_w = match request.amount {
            Some(Amount::Amps(a)) if load.is_charge_point() => Some(a * load.watts_per_amp(VOLTS)),
            Some(Amount::Amps(_)) => Some(f64::NAN),
            Some(Amount::Watts(w)) => Some(w),
            None => None,
        };
        let amount = on_amount_w.map_or(Some(true), |w| fits(load, w)).filter(|_| request.want == Want::On);
        let taken = match request.want {
            _ if request.retained => Some(false),
            Want::Auto => Some(true),
            _ if !timely => Some(false),
            _ => amount,
        };
        let held = (request.want != Want::Auto).then_some((request.want == Want::On, end));
        self.asked.push(Asked { load: request.load, taken, held });
    }

    /// All that comes out of one drain.
    ///
    /// `complete` says that every main point has reported with this one stamp.
    pub fn sees(
        &mut self,
        now: i64,
        origin: i64,
        complete: bool,
        outputs: &[Output],
        ratios: [f64; 3],
    ) -> TestCaseResult {
        let wait = self.waits_last(now, origin, outputs)?;
        for output in outputs {
            match output {
                Output::Balance(balance) => self.balance_closes(balance, complete)?,
                Output::Command(command) => self.command_is_allowed(now, command)?,
                Output::Load(report) => self.loads[usize::from(report.load.0)].report = Some(report.clone()),
                _ => {}
            }
        }
        self.overrides_are_answered(outputs)?;
        for i in 0..self.loads.len() {
            self.switching(now, i)?;
            self.lease(now, i)?;
            self.people(now, wait, i)?;
            self.unknown_grid(now, i)?;
        }
        self.wakes_in_time(now, wait)?;
        self.ratings(ratios)
    }

    /// `WaitUntil` comes once, last, and lies in the future.
    fn waits_last(&self, now: i64, origin: i64, outputs: &[Output]) -> Result<i64, TestCaseError> {
        let waits: Vec<usize> =
            (0..outputs.len()).filter(|i| matches!(outputs[*i], Output::WaitUntil(_))).collect();
        prop_assert_eq!(&waits, &vec![outputs.len() - 1]);
        let Some(Output::WaitUntil(Moment(at))) = outputs.last() else { unreachable!() };
        prop_assert!(at + origin > now, "waits until {} at {now}", at + origin);
        Ok(at + origin)
    }

    /// No command exceeds its load's bounds, and another instance's loads are not commanded.
    fn command_is_allowed(&mut self, now: i64, command: &Command) -> TestCaseResult {
        prop_assert!(!self.watching, "a command while another instance commands: {command:?}");
        let load = self.home.load(command.load);
        let (floor, ceiling) = (load.floor_w(VOLTS), load.ceiling_w(VOLTS));
        let within = command.watts >= floor - 1e-6 && command.watts <= ceiling + 1e-6;
        prop_assert!(command.watts == 0.0 || within, "{command:?} of {floor} to {ceiling}");
        prop_assert!(command.on || command.watts == 0.0, "{command:?}");
        prop_assert_eq!(command.amps.is_some(), load.is_charge_point());
        if let Some(amps) = command.amps {
            prop_assert!(amps.fract() == 0.0 && (amps == 0.0 || (6.0..=32.0).contains(&amps)), "{command:?}");
            prop_assert!((amps * load.watts_per_amp(VOLTS) - command.watts).abs() < 1e-6, "{command:?}");
        }
        let timeout = load.device_timeout.map_or(i64::MAX, |t| t.0);
        prop_assert!(command.valid_for.0 > 0 && command.valid_for.0 <= timeout, "{command:?}");
        self.loads[usize::from(command.load.0)].commanded_at = Some(now);
        Ok(())
    }

    /// `min_off` always holds; `min_on` unless a bound or a person stopped it.
    fn switching(&mut self, now: i64, i: usize) -> TestCaseResult {
        let load = &self.home.loads[i];
        let seen = &mut self.loads[i];
        let Some(report) = &seen.report else { return Ok(()) };
        if report.on && !seen.on {
            let rested = seen.off_at.map_or(i64::MAX, |at| now - at);
            let nobody_knows = seen.off_before && self.offset_ms.is_none();
            prop_assert!(
                rested >= load.min_off.0 || nobody_knows,
                "{} rested only {rested} ms: {report:?}",
                load.id
            );
            seen.on_at = Some(now);
        }
        if !report.on && seen.on {
            let ran = seen.on_at.map_or(i64::MAX, |at| now - at);
            let by_person = seen.held.is_some_and(|(on, end)| !on && now < end);
            let by_bound = report.limited_by.is_some_and(|l| BOUNDS.contains(&l) || l == Limit::Yielded);
            let short = ran < load.min_on.0;
            prop_assert!(!short || by_person || by_bound, "{} ran only {ran} ms: {report:?}", load.id);
            (seen.off_at, seen.off_before) = (Some(now), false);
        }
        seen.on = report.on;
        Ok(())
    }

    /// A command is repeated before it is forgotten, unless it was given up on purpose.
    fn lease(&self, now: i64, i: usize) -> TestCaseResult {
        let (load, seen) = (&self.home.loads[i], &self.loads[i]);
        let Some(report) = &seen.report else { return Ok(()) };
        let released = load.fallback == Fallback::Release && report.limited_by.is_some();
        if self.watching || released || report.limited_by == Some(Limit::Yielded) {
            return Ok(());
        }
        let age = seen.commanded_at.map_or(i64::MAX, |at| now - at);
        prop_assert!(age <= load.refresh.0, "{} was last commanded {age} ms ago", load.id);
        Ok(())
    }

    fn overrides_are_answered(&mut self, outputs: &[Output]) -> TestCaseResult {
        for asked in std::mem::take(&mut self.asked) {
            let load = asked.load;
            let is_mine =
                |o: &Output| matches!(o, Output::Record(Record::Override { load: l, .. }) if *l == load);
            let is_refusal = |o: &Output| matches!(o, Output::Notice(n) if n.code == "override_refused");
            let refused = outputs.iter().any(is_refusal);
            let taken = outputs.iter().any(is_mine) && !refused;
            prop_assert!(taken || refused, "an override of {load:?} came to nothing");
            prop_assert_eq!(taken, asked.taken.unwrap_or(taken), "override of {:?}", load);
            if taken {
                self.loads[usize::from(load.0)].held = asked.held;
            }
        }
        Ok(())
    }

    /// Off by a person is off at once; on is on, or says what keeps it; each ends at its moment. Out of service is off.
    fn people(&mut self, now: i64, wait: i64, i: usize) -> TestCaseResult {
        let watching = self.watching;
        let seen = &mut self.loads[i];
        let Some(report) = &seen.report else { return Ok(()) };
        prop_assert_eq!(report.out_of_service.is_some(), seen.out_of_service);
        if seen.out_of_service {
            prop_assert!(!report.on, "out of service, yet on: {report:?}");
        }
        if seen.held.is_some_and(|(_, end)| now >= end) {
            seen.held = None;
            prop_assert!(report.override_until.is_none(), "it should have ended: {report:?}");
        }
        let Some((on, end)) = seen.held else { return Ok(()) };
        prop_assert!(wait <= end, "sleeps until {wait}, past the end of an override at {end}");
        prop_assert!(report.override_until.is_some(), "{report:?}");
        let yielded = report.limited_by == Some(Limit::Yielded);
        if on {
            prop_assert!(report.on || report.limited_by.is_some(), "off without a reason: {report:?}");
        } else if !watching && !yielded {
            prop_assert!(!report.on, "on although a person wants it off: {report:?}");
        }
        Ok(())
    }

    /// When the grid goes unknown; `None` while it was never known.
    fn grid_unknown_at(&self) -> Option<i64> {
        self.grid.iter().map(|(_, at)| *at).collect::<Option<Vec<_>>>()?.into_iter().min()
    }

    /// Without a grid reading every load is at its fallback, and with one no load says it has none.
    fn unknown_grid(&self, now: i64, i: usize) -> TestCaseResult {
        let (load, seen) = (&self.home.loads[i], &self.loads[i]);
        let Some(report) = &seen.report else { return Ok(()) };
        let unknown = self.grid_unknown_at().is_none_or(|at| now >= at);
        let says_so = report.reason.contains("no grid reading");
        let off_by_person = report.override_until.is_some() && report.reason.contains("switched off");
        if self.watching || seen.out_of_service || off_by_person || report.limited_by == Some(Limit::Yielded)
        {
            return Ok(());
        }
        let waits = report.limited_by == Some(Limit::Rule) || report.limited_by == Some(Limit::Stale);
        if !unknown {
            // A rule may wait for more than the grid point: for the roof, say.
            prop_assert!(!says_so || waits, "{report:?}");
            return Ok(());
        }
        let released = load.fallback == Fallback::Release && waits;
        let blind = self.home.blind_a.is_some() && report.rule.is_some() && !says_so && !released;
        if blind && report.limited_by != Some(Limit::Rule) {
            let most_w = self.home.blind_a.unwrap_or(0.0) * load.watts_per_amp(VOLTS);
            prop_assert!(
                report.setpoint_w <= most_w + 1e-6 || report.setpoint_w <= self.fallback_w(i),
                "{report:?}"
            );
            return Ok(());
        }
        prop_assert!(waits, "not at its fallback at {now}: {report:?}");
        if !released {
            prop_assert!(report.setpoint_w <= self.fallback_w(i) + 1e-6, "{report:?}");
        }
        Ok(())
    }

    fn fallback_w(&self, i: usize) -> f64 {
        let load = &self.home.loads[i];
        match load.fallback {
            Fallback::Off | Fallback::Release => 0.0,
            Fallback::Watts { watts } => watts,
            Fallback::Amps { amps } => amps * load.watts_per_amp(VOLTS),
        }
    }

    /// The controller never sleeps past the moment at which the grid goes unknown.
    fn wakes_in_time(&self, now: i64, wait: i64) -> TestCaseResult {
        if let Some(at) = self.grid_unknown_at().filter(|at| *at > now) {
            prop_assert!(wait <= at, "sleeps until {wait}, past the stale moment {at}");
        }
        Ok(())
    }
}

/// Whether a person may ask for `watts`; `None` on the very border. Nothing, or less than the least set-point of a
/// modulated load, is no "on".
fn fits(load: &Load, watts: f64) -> Option<bool> {
    let (least, most) = (load.floor_w(VOLTS).max(10.0), load.ceiling_w(VOLTS));
    let on_border = [least, most].iter().any(|w| (watts / w - 1.0).abs() < 0.005);
    (!on_border).then_some((least..=most).contains(&watts))
}
