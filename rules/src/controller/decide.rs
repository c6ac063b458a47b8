//! One decision: observe, rules, sharing, manners, bounds, in that order.

use std::sync::Arc;

use super::Controller;
use super::intents::Meant;
use crate::balance::{GridReading, Phased, Reported, Shares};
use crate::bounds::{Verdict, Wanted, judge};
use crate::home::{CountedBy, ExtraKind, Measures};
use crate::input::{About, Role};
use crate::limits;
use crate::loads::{Draws, LoadState, Scene, observe};
use crate::output::{Flows, Limit, Output, Record, Severity};
use crate::script::{BALANCE_NAMES, Known, LoadView, View};
use crate::sharing::{Allotment, Facts, Intent, Pool, Round, share};
use crate::time::Moment;

impl Controller {
    pub(super) fn decide(&mut self) {
        self.due.clear();
        self.end_overrides();
        self.keep_settings();
        self.follow_volts();
        self.observe();
        let known = self.known_balance();
        self.report_balance(&known);
        self.watch_for_trouble();
        let view = Arc::new(self.view(&known));
        self.run_rules(&view);
        let meant = self.meanings();
        let allotments = self.bounded_allotments(&meant);
        self.apply(&meant, &allotments);
        self.keep_accounts();
        self.new_reading = false;
    }

    /// What is the same for all loads now.
    pub(super) fn scene(&self) -> Scene<'_> {
        Scene { home: &self.home, now: self.now, volts: self.volts() }
    }

    pub(super) fn draws(&self) -> Draws<'_> {
        Draws {
            home: &self.home,
            now: self.now,
            meters: &self.meters,
            meter_of: &self.meter_of,
            states: &self.states,
        }
    }

    /// Measured volts of each phase, else the nominal ones.
    fn volts(&self) -> [f64; 3] {
        let mut volts = [self.home.supply.volts; 3];
        for (point, meter) in self.home.points.iter().zip(&self.meters).rev() {
            if point.has_extra(ExtraKind::Volts) {
                let measured = meter.volts_at(self.now, point, self.home.supply.volts);
                match point.phase {
                    Some(p) if self.home.supply.phases == 3 => volts[usize::from(p - 1)] = measured,
                    _ => volts = [measured; 3],
                }
            }
        }
        volts
    }

    /// A charge point's set-point is whole amps: when the volts drift, its watts drift with them, and that is no step.
    fn follow_volts(&mut self) {
        let home = Arc::clone(&self.home);
        let scene = Scene { home: &home, now: self.now, volts: self.volts() };
        for (state, load) in self.states.iter_mut().zip(&home.loads) {
            if load.is_charge_point() && state.setpoint_a > 0.0 {
                state.setpoint_w = state.setpoint_a * load.watts_per_amp(scene.volts_of(load));
            }
        }
    }

    /// Lets every load settle and be judged, then computes spare power and base, once per grid reading.
    fn observe(&mut self) {
        let Some(declared) = self.parts.grid_reading() else { return };
        if self.new_reading {
            self.learn_lateness(&declared);
        }
        let reading = GridReading { own: declared.own - self.lateness.by(), ..declared };
        if self.new_reading {
            self.foresee(&reading);
        }
        self.grid = Some(reading);
        self.watch_load_meters();
        let home = Arc::clone(&self.home);
        let scene = Scene { home: &home, now: self.now, volts: self.volts() };
        let (mut verdicts, mut learnt) = (Vec::new(), Vec::new());
        for i in 0..self.states.len() {
            if self.states[i].settling.is_none() && !self.new_reading {
                continue;
            }
            // Each load is looked at with all of them as they stand.
            let mut state = self.states[i].clone();
            let draws = Draws {
                home: &home,
                now: self.now,
                meters: &self.meters,
                meter_of: &self.meter_of,
                states: &self.states,
            };
            let ratio_before = state.learnt.ratio;
            observe(&mut state, &home.loads[i], &scene, &draws, &reading, self.new_reading);
            if state.learnt.ratio != ratio_before {
                learnt.push(Record::Learnt { load: state.id, ratio: state.learnt.ratio });
            }
            if self.new_reading {
                verdicts.push((i, judge(&mut state, &home.loads[i], &draws, &reading)));
            }
            self.states[i] = state;
        }
        learnt.into_iter().for_each(|record| self.give(Output::Record(record)));
        for (i, verdict) in verdicts {
            self.tell_verdict(i, verdict);
        }
        if self.new_reading {
            let want_w = self.battery_wants_w();
            let loads = self.draws().counted(&reading);
            let shares = self.parts.shares(&home, &reading, loads, want_w);
            self.flows = self.flows_of(&reading, &shares);
            self.shares = Some(shares);
            self.new_balance = true;
        }
    }

    /// What flowed where at this reading.
    fn flows_of(&self, reading: &GridReading, shares: &Shares) -> Flows {
        let draws = self.draws();
        let load_w = |s: &LoadState| draws.counts(s.id).then(|| draws.attributed_w(s.id, reading));
        Flows {
            grid_w: reading.grid.sum,
            solar_w: reading.solar.map(|p| p.sum),
            battery_w: reading.battery.map(|p| p.sum),
            base_w: shares.base_known.then_some(shares.base.sum),
            loads_w: self.states.iter().map(load_w).collect(),
        }
    }

    /// A cloud comes gradually, a kettle does not: while the roof's power falls, it is taken to go on falling from the
    /// reading's own time until now and for a part of the time to the next reading.
    fn foresee(&mut self, reading: &GridReading) {
        let before = self.grid.and_then(|g| Some((g.own, g.solar?.sum)));
        self.fading_w = before.zip(reading.solar).map_or(0.0, |((then, was_w), is)| {
            let interval_s = reading.own.seconds_since(then);
            let ahead_s = self.now.seconds_since(reading.own) + limits::FADING_INTERVALS * interval_s;
            if interval_s > 0.0 { (was_w - is.sum).max(0.0) / interval_s * ahead_s } else { 0.0 }
        });
    }

    /// A load's meter that falls silent or comes back changes what the grid reading is compared with.
    fn watch_load_meters(&mut self) {
        let draws = self.draws();
        let fresh = self.states.iter().map(|s| draws.meter_is_fresh(s.id));
        if !fresh.clone().eq(self.load_meters_fresh.iter().copied()) {
            self.load_meters_fresh = fresh.collect();
            self.states.iter_mut().for_each(LoadState::lose_reference);
        }
    }

    /// Loads with meters of their own show how late the grid reading truly is.
    fn learn_lateness(&mut self, declared: &GridReading) {
        // Where no load has a meter of its own there is nothing to hold the reading against.
        if self.meter_of.iter().all(Option::is_none) {
            return;
        }
        let draws = Draws {
            home: &self.home,
            now: self.now,
            meters: &self.meters,
            meter_of: &self.meter_of,
            states: &self.states,
        };
        self.lateness.learn(declared.own, draws.home_w(declared), |at| draws.metered_w(at));
        let by = self.lateness.by();
        if by >= limits::LATENESS_NOTICE {
            let text = format!(
                "the grid reading shows what loads do {by} later than the home file says, and is now taken to be so much \
                 older. Add {by} to the `lag` of its point"
            );
            self.tell(Severity::Warning, "late", About::Home, text);
        }
    }

    fn tell_verdict(&mut self, i: usize, verdict: Verdict) {
        let (name, about) = (self.home.loads[i].name.clone(), About::Load(self.states[i].id));
        match verdict {
            Verdict::None => {}
            Verdict::Contradicted => {
                let text = format!(
                    "the grid reading did not follow a step of {name}; it goes back to its floor and is tried again"
                );
                self.tell(Severity::Info, "no_answer", about, text);
            }
            Verdict::LoadStopped => {
                let text = format!(
                    "{name} takes no more spare power until the program restarts: what it draws does not show in the \
                     grid reading. Is it split off before the clamp? Then say counted_by = \"none\" in the home file"
                );
                self.tell_now(Severity::Problem, "not_counted", about, text);
            }
            Verdict::SpareStopped if self.spare_stopped => {}
            Verdict::SpareStopped => {
                self.spare_stopped = true;
                let text = "no load takes spare power until the program restarts: the grid reading moves the wrong way \
                            when a load is switched. The grid clamp seems to be the wrong way round: have it turned \
                            (work near live parts is for a competent person), or correct `positive` in the home file";
                self.tell_now(Severity::Problem, "reversed", About::Home, text.to_owned());
            }
        }
    }

    /// Charging power that a battery served first would take if it could.
    fn battery_wants_w(&self) -> f64 {
        let Some(battery) = self.home.battery else { return 0.0 };
        let charge = battery
            .charge_input
            .map(|id| self.inputs[usize::from(id.0)].known(self.now, self.home.input(id).stale_after).value);
        let full = charge.flatten().is_some_and(|percent| percent >= battery.full_above);
        if full { 0.0 } else { battery.charge_limit_w }
    }

    /// Why the grid is not known, where it is not.
    pub(super) fn grid_unknown(&self) -> Option<String> {
        let group = self.parts.grid_group();
        if group.value(self.now, &self.home, &self.meters).is_some() {
            return None;
        }
        Some(match group.age(self.now, &self.meters) {
            Some(age) => format!("no grid reading for {age}"),
            None => "no grid reading yet".to_owned(),
        })
    }

    /// The home as rules see it.
    fn view(&self, balance: &Reported) -> View {
        let values = balance.report.total;
        let age = self.parts.grid_group().age(self.now, &self.meters);
        let known = |value: Option<f64>| Known { value, age };
        let by_group =
            |group: &crate::balance::Group, value| Known { value, age: group.age(self.now, &self.meters) };
        let balance: [Known; BALANCE_NAMES.len()] = [
            known(values.grid_w),
            by_group(self.parts.solar_group(), values.solar_w),
            by_group(&self.parts.battery, values.battery_w),
            by_group(self.parts.house_group(), values.house_w),
            known(values.import_w),
            known(values.export_w),
            known(values.loads_w),
            known(values.base_w),
            known(values.spare_w),
        ];
        let points = self.home.points.iter().zip(&self.meters).map(|(point, meter)| Known {
            value: meter.power(self.now, point).map(|(_, w)| w),
            age: meter.newest().map(|(own, _)| self.now - own),
        });
        let inputs = self.home.inputs.iter().zip(&self.inputs).map(|(i, s)| s.known(self.now, i.stale_after));
        View {
            now: self.now,
            wall: self.clock.believed_wall(self.now),
            zone: self.home.timezone.clone(),
            balance,
            points: points.collect(),
            inputs: inputs.collect(),
            loads: (0..self.states.len()).map(|i| self.load_view(i)).collect(),
            settings: self.settings.values(&self.home),
            prices: Arc::clone(&self.prices),
        }
    }

    fn load_view(&self, i: usize) -> LoadView {
        let state = &self.states[i];
        let since = if state.on { state.on_since } else { state.off_since };
        LoadView {
            on: state.on,
            setpoint_w: state.setpoint_w,
            draw_w: self.draw_known(i),
            plugged: state.plugged,
            since: since.map_or(crate::time::Span::ZERO, |at| self.now - at),
            energy_kwh: self.accounts.load_kwh(i, self.now),
            run_time: self.accounts.run_time(i, state, self.now),
            log: self.accounts.log_arc(i),
        }
    }

    /// What load `i` draws, while known.
    pub(super) fn draw_known(&self, i: usize) -> Option<f64> {
        match self.meter_of[i] {
            Some(id) => {
                let meter = &self.meters[usize::from(id.0)];
                meter.power(self.now, self.home.point(id)).map(|(_, w)| w)
            }
            None => Some(self.states[i].confirmed_w),
        }
    }

    /// Shares out the spare power and applies the ratings.
    fn bounded_allotments(&mut self, meant: &[Meant]) -> Vec<Allotment> {
        let intents: Vec<Intent> = meant.iter().map(|m| m.intent).collect();
        let facts = self.facts();
        let spare = self.shares.and_then(|s| s.spare).unwrap_or(Phased::ZERO);
        let home = Arc::clone(&self.home);
        let scene = Scene { home: &home, now: self.now, volts: self.volts() };
        let order = self.order.clone();
        let (no_starts, one_start) = (self.no_starts(), self.restart_until.is_some_and(|t| self.now < t));
        let gap_wait = self.restart_wait(one_start);
        let round = Round {
            scene,
            intents: &intents,
            facts: &facts,
            spare: Pool::new(&home, spare),
            fading_w: self.fading_w,
            kept: Pool::new(&home, self.shares.map_or(Phased::ZERO, |s| s.kept)),
            order: &order,
            new_reading: self.new_reading,
            no_starts: no_starts.or(gap_wait.map(|_| Limit::Restart)),
            one_start,
        };
        let mut allotments = share(&round, &mut self.states);
        self.due.extend(gap_wait);
        self.keep_ratings(&scene, &order, &mut allotments);
        allotments
    }

    fn facts(&self) -> Vec<Facts> {
        let draws = self.draws();
        let facts = self.states.iter().map(|state| {
            let newest_w = draws.now_w(state.id);
            let due = |reading: &GridReading| {
                state.settling.is_none() && state.answer.judgement_due(state, &draws, reading)
            };
            Facts {
                draw_w: self.grid.map_or(newest_w, |reading| draws.counted_w(state.id, &reading)),
                newest_w,
                metered: draws.is_metered(state.id),
                judgement_due: self.grid.as_ref().is_some_and(due),
            }
        });
        facts.collect()
    }

    /// Why nothing may be switched on by itself now.
    fn no_starts(&self) -> Option<Limit> {
        if self.role == Role::Watch {
            Some(Limit::Watching)
        } else if self.island {
            Some(Limit::Island)
        } else if !self.clock.believed() {
            Some(Limit::Clock)
        } else {
            None
        }
    }

    /// Until when the next start has to wait after the last, following a power cut.
    fn restart_wait(&self, restarting: bool) -> Option<Moment> {
        let next = self.last_start.filter(|_| restarting)? + self.home.restart_gap;
        (self.now < next).then_some(next)
    }

    fn keep_ratings(&mut self, scene: &Scene<'_>, order: &[usize], allotments: &mut [Allotment]) {
        let mut wanted: Vec<Wanted> = order.iter().map(|i| self.wanted(*i, scene, &allotments[*i])).collect();
        let base = self.base_per_phase();
        self.ratings.keep(scene, base, &mut wanted);
        for want in wanted.iter().filter(|w| w.limited.is_some()) {
            let got = &mut allotments[usize::from(want.id.0)];
            // A load without a floor that is on may wait at 0 W.
            let waits = want.floor_w <= 0.0 && self.states[usize::from(want.id.0)].on;
            got.on = got.on && (want.watts > 0.0 || waits);
            got.watts = want.watts;
            got.limit = want.limited;
        }
        self.due.extend(self.ratings.next_change(self.now));
    }

    fn wanted(&self, i: usize, scene: &Scene<'_>, allotment: &Allotment) -> Wanted {
        let (state, load) = (&self.states[i], &self.home.loads[i]);
        let lag = self.meter_of[i].map_or(crate::time::Span::ZERO, |p| self.home.point(p).lag);
        let just_cut = state.settling.is_some_and(|s| state.setpoint_w <= s.from_w)
            && state.since_command(self.now) < load.settle + lag;
        Wanted {
            id: state.id,
            before_w: if state.on { state.setpoint_w } else { 0.0 },
            watts: if allotment.on { allotment.watts } else { 0.0 },
            floor_w: load.floor_w(scene.volts_of(load)),
            draw_w: if just_cut { 0.0 } else { self.draws().now_w(state.id).max(0.0) },
            ratio: state.learnt.ratio,
            limited: None,
        }
    }

    /// The last known base per phase, in watts. Where only the sum is known, its even share.
    fn base_per_phase(&self) -> [f64; 3] {
        let Some(shares) = self.shares else { return [0.0; 3] };
        let even = shares.base.sum / f64::from(self.home.supply.phases);
        shares.base.phases.unwrap_or([even; 3])
    }

    /// Things that are told, whatever is decided.
    fn watch_for_trouble(&mut self) {
        self.watch_grid();
        self.watch_misfit();
        for i in 0..self.states.len() {
            self.watch_ratio(i);
            self.watch_moves(i);
        }
    }

    fn watch_grid(&mut self) {
        let unknown = self.grid_unknown();
        if let Some(why) = unknown.clone().filter(|_| self.grid_was_known) {
            let text = format!("{why}: loads go to their fallback");
            self.tell_now(Severity::Problem, "stale", About::Home, text);
        }
        if unknown.is_none() && !self.grid_was_known && self.shares.is_some() {
            self.tell_now(Severity::Info, "fresh", About::Home, "the grid reading is there".to_owned());
        }
        self.grid_was_known = unknown.is_none();
    }

    /// What loads draw that the grid's point counts but the house's does not, in watts.
    fn beside_the_house_w(&self) -> f64 {
        let beside = self.states.iter().filter(|s| match self.home.load(s.id).counted_by {
            CountedBy::Point(point) => matches!(self.home.point(point).measures, Measures::Grid(_)),
            CountedBy::Main | CountedBy::Nothing => false,
        });
        let draws = self.draws();
        beside.map(|s| draws.now_w(s.id)).sum()
    }

    /// Where all parts are measured, each stands, and the misfit is told.
    fn watch_misfit(&mut self) {
        if !(self.parts.grid.exists() && self.parts.solar.exists() && self.parts.house.exists()) {
            return;
        }
        let of = |group: &crate::balance::Group| {
            group.value(self.now, &self.home, &self.meters).map(|(_, p)| p.sum)
        };
        let battery = if self.parts.battery.exists() { of(&self.parts.battery) } else { Some(0.0) };
        let parts = (of(&self.parts.grid), of(&self.parts.solar), battery, of(&self.parts.house));
        let (Some(grid), Some(solar), Some(battery), Some(house)) = parts else { return };
        let misfit = grid + solar + battery - house - self.beside_the_house_w();
        let allowed = limits::MISFIT_W.max(limits::MISFIT_SHARE * house.abs().max(grid.abs()));
        if misfit.abs() <= allowed {
            self.misfit_since = None;
            return;
        }
        let since = *self.misfit_since.get_or_insert(self.now);
        if self.now - since >= limits::MISFIT_FOR {
            let text = format!(
                "grid, solar and battery together differ from the house by {misfit:.0} W: one of the clamps reads wrong"
            );
            self.tell(Severity::Warning, "misfit", About::Home, text);
        }
    }

    fn watch_ratio(&mut self, i: usize) {
        let learnt = &mut self.states[i].learnt;
        if learnt.told || !learnt.is_odd() {
            return;
        }
        learnt.told = true;
        let (name, ratio, id) = (self.home.loads[i].name.clone(), learnt.ratio, self.states[i].id);
        let text = format!(
            "{name} draws {ratio:.1} times what it is told: check phases, volts and rating in the home file"
        );
        self.tell_now(Severity::Warning, "odd_response", About::Load(id), text);
    }

    /// A metered load that draws although it was told to be off was moved by somebody else: never fight.
    fn watch_moves(&mut self, i: usize) {
        let (load, state) = (&self.home.loads[i], &self.states[i]);
        let told_off = !state.on && state.settling.is_none() && state.released.is_none();
        let patience = load.settle + limits::TAKES_NOTHING_AFTER;
        let draws = self.meter_of[i].and_then(|_| self.draw_known(i)).unwrap_or(0.0);
        let moved = told_off && draws >= limits::NOTHING_W && state.since_command(self.now) >= patience;
        if !moved {
            self.states[i].moved_since = None;
            self.states[i].moved_told &= draws >= limits::NOTHING_W;
            return;
        }
        let since = *self.states[i].moved_since.get_or_insert(self.now);
        if self.now - since < patience || self.states[i].moved_told {
            return;
        }
        let (name, on_move) = (load.name.clone(), load.on_move);
        self.states[i].moved_told = true;
        let then = match on_move {
            crate::home::OnMove::Yield => {
                self.states[i].yields_until = Some(self.now + limits::YIELD_FOR);
                format!("it is left alone for {}", limits::YIELD_FOR)
            }
            crate::home::OnMove::Tell => "it is told to be off all the same".to_owned(),
        };
        let text = format!(
            "{name} draws {draws:.0} W although it was told to be off: somebody else runs it; {then}"
        );
        self.tell_now(Severity::Warning, "moved", About::Load(self.states[i].id), text);
    }
}
