//! A load that takes spare power: starts, stops and set-points, with all its waits.

use super::{Allotment, Facts, Intent, Pool, Progress, Round};
use crate::bounds::Leave;
use crate::home::Load;
use crate::limits;
use crate::loads::LoadState;
use crate::output::Limit;
use crate::request::SpareTerms;
use crate::time::{Moment, Span};

/// One load's turn at the spare power.
pub(super) struct Asking<'a> {
    load: &'a Load,
    facts: Facts,
    terms: SpareTerms,
    now: Moment,
    volts: f64,
    new_reading: bool,
    barred: Option<Limit>,
    one_start: bool,
    /// Watts drawn for each watt commanded.
    ratio: f64,
    /// Least set-point, in watts.
    floor_w: f64,
    /// Spare power that is there for it, in watts drawn.
    available_w: f64,
    /// The part of it that nobody draws at this moment.
    free_w: f64,
    /// What is kept for a battery served first, in watts.
    kept_w: f64,
    /// How much less the roof will make before a new set-point can follow, in watts.
    fading_w: f64,
    headroom_w: f64,
}

impl<'a> Asking<'a> {
    pub(super) fn new(
        round: &'a Round<'_>,
        i: usize,
        terms: SpareTerms,
        pool: &Pool,
        later: &[usize],
        states: &[LoadState],
    ) -> Asking<'a> {
        let load = round.load(i);
        let volts = round.volts(i);
        let held: f64 = later.iter().map(|&m| held_by(round, m, &states[m])).sum();
        let others = states.iter().enumerate().filter(|(m, _)| *m != i);
        let drawn: f64 = others.map(|(m, s)| round.facts[m].newest_w.max(promised_w(s))).sum();
        Asking {
            load,
            facts: round.facts[i],
            terms,
            now: round.scene.now,
            volts,
            new_reading: round.new_reading,
            barred: round.no_starts,
            one_start: round.one_start,
            ratio: states[i].learnt.ratio,
            floor_w: floor_of(load, &terms, volts),
            available_w: pool.for_load(load) - held - terms.keep_w,
            free_w: round.spare.for_load(load) - drawn - terms.keep_w,
            kept_w: round.kept.for_load(load),
            fading_w: round.fading_w,
            headroom_w: round.headroom_w(i),
        }
    }

    /// What it gets, and what it takes off the spare power.
    pub(super) fn allot(&self, state: &mut LoadState, progress: &mut Progress) -> (Allotment, f64) {
        if state.settling.is_some() {
            return self.stay(state, progress);
        }
        if state.on { self.go_on(state, progress) } else { self.maybe_start(state, progress) }
    }

    fn need_w(&self) -> f64 {
        self.floor_w * self.ratio
    }

    fn with_help_w(&self) -> f64 {
        self.available_w + self.terms.grid_up_to_w
    }

    fn fits(&self) -> bool {
        self.with_help_w() >= self.need_w()
    }

    /// The set-point that `watts` drawn allow, in watts; the floor where the grid may help to reach it.
    fn setpoint_for(&self, watts: f64) -> f64 {
        let most = self.terms.at_most_w.unwrap_or(f64::INFINITY);
        let fitting = self.load.quantised((watts / self.ratio).min(most), self.volts);
        if fitting < self.floor_w && self.fits() { self.floor_w } else { fitting }
    }

    /// While it settles its allotment stays; what it was promised is taken from the others at once.
    fn stay(&self, state: &mut LoadState, progress: &mut Progress) -> (Allotment, f64) {
        if state.on && self.fits() {
            state.patience.fits();
        } else if state.on {
            state.patience.below_since.get_or_insert(self.now);
        }
        let reserve = promised_w(state).max(self.facts.draw_w);
        if state.on && state.settling.is_some_and(|s| s.from_w == 0.0) {
            progress.displacing_w += reserve;
        }
        let allotment = if state.on { Allotment::on(state.setpoint_w, None) } else { self.off(Limit::Spare) };
        (allotment, reserve)
    }

    fn maybe_start(&self, state: &mut LoadState, progress: &mut Progress) -> (Allotment, f64) {
        let drawn = self.facts.draw_w;
        let fits = self.fits() && self.with_help_w() >= 1.0;
        if !fits || state.appetite.waits(self.now) {
            state.patience.fits_since = None;
            let limit = if fits { Limit::TakesNothing } else { Limit::Spare };
            let wake = if fits { state.appetite.try_at } else { None };
            return (Allotment { wake, ..self.off(limit) }, drawn);
        }
        let since = *state.patience.fits_since.get_or_insert(self.now);
        let ready_at = since + self.load.start_after;
        if self.now < ready_at {
            return (Allotment { wake: Some(ready_at), ..self.off(Limit::StartWait) }, drawn);
        }
        if let Some(until) = state.off_until(self.load, self.now) {
            return (Allotment { wake: Some(until), ..self.off(Limit::MinOff) }, drawn);
        }
        let restart = (self.one_start && progress.started).then_some(Limit::Restart);
        if let Some(limit) = self.barred.or(restart) {
            return (self.off(limit), drawn);
        }
        let watts = self.setpoint_for(self.available_w).min(self.probe_w());
        progress.displacing_w += watts * self.ratio;
        if self.free_w + self.terms.grid_up_to_w < self.need_w() {
            // Later loads are told to make room; this one starts when that is seen.
            return (self.off(Limit::Turn), (watts * self.ratio).max(drawn));
        }
        progress.started = true;
        (Allotment::on(watts, None), (watts * self.ratio).max(drawn))
    }

    fn go_on(&self, state: &mut LoadState, progress: &Progress) -> (Allotment, f64) {
        let mut got = if self.fits() {
            state.patience.fits();
            self.fitting(state)
        } else {
            self.below(state, progress)
        };
        let mut passes_on = false;
        if got.on {
            passes_on = self.offer_what_it_takes(state, &mut got);
        }
        if got.on {
            self.take_back_unanswered(state, &mut got);
        }
        if got.on {
            self.raise_with_patience(state, &mut got);
        }
        let reserve = self.reserve_w(state, &got, passes_on);
        (got, reserve)
    }

    fn fitting(&self, state: &LoadState) -> Allotment {
        let watts = self.setpoint_for(self.available_w - self.fading_w);
        if watts <= state.setpoint_w {
            return Allotment::on(watts, Some(Limit::Spare).filter(|_| watts < self.ceiling_w()));
        }
        let margin = if self.load.is_charge_point() {
            limits::RAISE_MARGIN_STEPS * self.load.step_w(self.volts)
        } else {
            limits::MODULATED_MARGIN_W
        };
        let roomy = self.setpoint_for(self.available_w - self.fading_w - margin).max(state.setpoint_w);
        Allotment::on(roomy, Some(Limit::Spare).filter(|_| roomy < self.ceiling_w()))
    }

    fn ceiling_w(&self) -> f64 {
        self.load.ceiling_w(self.volts).min(self.terms.at_most_w.unwrap_or(f64::INFINITY))
    }

    fn below(&self, state: &mut LoadState, progress: &Progress) -> Allotment {
        let need = self.need_w();
        // What a battery served first goes without is not bought.
        let lasted = state.patience.below(self.now, need - (self.with_help_w() + self.kept_w).max(0.0));
        if state.inside_min_on(self.load, self.now) {
            let wake = state.on_since.map(|since| since + self.load.min_on);
            return Allotment { wake, ..Allotment::on(self.floor_w, Some(Limit::MinOn)) };
        }
        let allowance_ws = limits::BOUGHT_SHARE * self.load.stop_after.as_seconds() * need;
        let bought_enough = allowance_ws > 0.0 && state.patience.bought_ws() >= allowance_ws;
        let displaced = progress.displacing_w > 0.0 && self.with_help_w() + progress.displacing_w >= need;
        if lasted >= self.load.stop_after || bought_enough || displaced {
            return self.off(if displaced { Limit::Turn } else { Limit::Spare });
        }
        let wake = state.patience.below_since.map(|since| since + self.load.stop_after);
        Allotment { wake, ..Allotment::on(self.floor_w, Some(Limit::Spare)) }
    }

    /// Not seen to draw, it is offered its floor; seen to draw, a little more than it draws. `true` when it takes
    /// nothing and passes its share on.
    fn offer_what_it_takes(&self, state: &mut LoadState, got: &mut Allotment) -> bool {
        if state.setpoint_w <= 0.0 {
            state.appetite.went_off();
            got.watts = got.watts.min(self.probe_w());
            return false;
        }
        // A small set-point is taken when half of it is drawn.
        let something_w = limits::NOTHING_W.min(0.5 * state.expected_w());
        let draws =
            if self.facts.metered { self.facts.draw_w >= something_w } else { state.confirmed_w > 0.0 };
        if draws {
            state.appetite.draws();
            let cap = self.load.quantised((self.facts.draw_w + self.headroom_w) / self.ratio, self.volts);
            got.watts = got.watts.min(cap.max(self.floor_w));
            if !self.facts.metered {
                self.hold_where_it_followed(state, got);
            }
            return false;
        }
        got.watts = got.watts.min(self.probe_w());
        if !state.appetite.takes_nothing(self.now, self.load.settle) {
            return false;
        }
        // What the grid has contradicted as well may be bought: that is a bound, which `min_on` does not hold up.
        let contradicted = state.answer.contradictions > 0;
        if contradicted || !state.inside_min_on(self.load, self.now) {
            state.appetite.pass_on(self.now);
            let limit = if contradicted { Limit::NoAnswer } else { Limit::TakesNothing };
            *got = Allotment { wake: state.appetite.try_at, ..self.off(limit) };
        } else {
            got.limit = Some(Limit::TakesNothing);
        }
        true
    }

    /// A raise that was not answered, or that something hid, would stand for ever beyond what is confirmed: back to where
    /// the load last followed, and another try later.
    fn hold_where_it_followed(&self, state: &mut LoadState, got: &mut Allotment) {
        let unconfirmed = state.expected_w() - state.confirmed_w >= limits::TELLING_STEP_W - 1e-6;
        if unconfirmed && !self.facts.judgement_due && state.reach.most_w(self.now).is_none() {
            let followed_w = self.load.quantised(state.confirmed_w / self.ratio, self.volts);
            state.reach.not_followed(self.now, followed_w);
        }
        if let Some((most_w, until)) = state.reach.most_w(self.now) {
            got.watts = got.watts.min(most_w.max(self.floor_w));
            got.wake = got.wake.or(Some(until));
        }
    }

    /// The grid contradicted a step: back to the floor at once, then off, and another try later.
    fn take_back_unanswered(&self, state: &mut LoadState, got: &mut Allotment) {
        let contradicted = state.answer.contradictions > 0 && self.facts.metered;
        let probe = self.probe_w();
        let waited = self.load.settle + limits::TAKES_NOTHING_AFTER;
        let has_waited = state.since_command(self.now) >= waited;
        if state.answer.leave == Leave::AfterWait && has_waited {
            state.answer.leave = Leave::Granted;
        }
        if !contradicted || state.answer.leave == Leave::Granted {
            return;
        }
        let back_w = (state.setpoint_w - probe) * self.ratio;
        if back_w > 0.0 && back_w < limits::TELLING_STEP_W {
            state.answer.leave = Leave::AfterWait;
        }
        got.watts = got.watts.min(probe);
        got.limit = Some(Limit::NoAnswer);
        if back_w <= 0.0 && has_waited {
            state.appetite.pass_on(self.now);
            *got = Allotment { wake: state.appetite.try_at, ..self.off(Limit::NoAnswer) };
        }
    }

    fn raise_with_patience(&self, state: &mut LoadState, got: &mut Allotment) {
        let standing = state.setpoint_w;
        let step = if self.load.is_charge_point() {
            self.load.step_w(self.volts)
        } else {
            limits::MODULATED_RAISE_W
        };
        let ceiling_reached = got.watts >= self.ceiling_w() - 1e-6;
        let worth_it = got.watts >= standing + step - 1e-6 || (ceiling_reached && got.watts > standing);
        if got.watts <= standing || !worth_it || self.facts.judgement_due {
            state.patience.no_room();
            got.watts = got.watts.min(standing);
            return;
        }
        let (wait, readings) = if self.load.is_charge_point() {
            (self.load.raise_after, limits::RAISE_READINGS)
        } else {
            (Span::ZERO, 0)
        };
        match state.patience.room(self.now, got.watts, self.new_reading, wait, readings) {
            Some(least) => got.watts = least,
            None => {
                got.wake = state.patience.raise.map(|r| r.since + wait).filter(|at| *at > self.now);
                got.watts = standing;
            }
        }
    }

    fn reserve_w(&self, state: &LoadState, got: &Allotment, passes_on: bool) -> f64 {
        let drawn = self.facts.draw_w;
        if !got.on || passes_on {
            return drawn;
        }
        let promised = got.watts * self.ratio;
        if got.watts < state.setpoint_w {
            // Power it gives up is lent only once it is seen to be given up.
            return promised.max(drawn);
        }
        let seen_to_draw = drawn >= limits::NOTHING_W;
        if seen_to_draw { promised.min(drawn + self.headroom_w) } else { promised }
    }

    /// What it is offered until it is seen to draw, in watts.
    fn probe_w(&self) -> f64 {
        if self.floor_w > 0.0 { self.floor_w } else { limits::TELLING_STEP_W.min(self.ceiling_w()) }
    }

    fn off(&self, limit: Limit) -> Allotment {
        Allotment::off(Some(limit))
    }
}

/// Least set-point under these terms, in watts: a whole step, at or above the load's floor.
fn floor_of(load: &Load, terms: &SpareTerms, volts: f64) -> f64 {
    let own = load.floor_w(volts);
    let asked = terms.at_least_w.unwrap_or(0.0).min(load.ceiling_w(volts));
    if asked <= own {
        return own;
    }
    let step = load.step_w(volts);
    (asked / step - 1e-6).ceil() * step
}

/// What a load is promised while it settles, in watts drawn.
fn promised_w(state: &LoadState) -> f64 {
    if state.settling.is_some() { state.expected_w() } else { 0.0 }
}

/// What a later load inside its `min_on` keeps, in watts drawn.
fn held_by(round: &Round<'_>, i: usize, state: &LoadState) -> f64 {
    let load = round.load(i);
    let takes_spare = matches!(round.intents[i], Intent::Spare(_));
    if takes_spare && state.inside_min_on(load, round.scene.now) {
        load.floor_w(round.volts(i)) * state.learnt.ratio
    } else {
        0.0
    }
}
