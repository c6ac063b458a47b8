//! From allotments to commands: the desired state of each load, as a lease that is refreshed.

use super::Controller;
use super::intents::Meant;
use crate::input::Role;
use crate::loads::Settling;
use crate::output::{Command, Output, Record};
use crate::sharing::{Allotment, Intent};
use crate::time::Span;

impl Controller {
    pub(super) fn apply(&mut self, meant: &[Meant], allotments: &[Allotment]) {
        for i in 0..self.states.len() {
            let (meant, got) = (&meant[i], &allotments[i]);
            self.due.extend(got.wake);
            // A rating that is exceeded takes even a released load back.
            let released = meant.intent == Intent::Fallback(None) && got.limit.is_none();
            let changed = if released { self.release(i) } else { self.hold(i, got) };
            if !released {
                self.send(i, changed);
            }
            self.report_load(i, meant, got);
        }
    }

    /// Stops commanding a load, so that its device's own time-out acts. Until then it counts as it stands.
    fn release(&mut self, i: usize) -> bool {
        let load = &self.home.loads[i];
        let since = *self.states[i].released.get_or_insert(self.now);
        self.states[i].sent_at = None;
        let Some(timeout) = load.device_timeout else { return false };
        if self.now - since < timeout {
            self.due.push(since + timeout);
            return false;
        }
        self.set(i, &Allotment::off(None))
    }

    /// Sets a load's desired state.
    fn hold(&mut self, i: usize, got: &Allotment) -> bool {
        if self.states[i].released.take().is_some() {
            self.states[i].sent_at = None;
        }
        self.set(i, got)
    }

    /// Takes a new set-point into the load's state; `true` when it changed.
    fn set(&mut self, i: usize, got: &Allotment) -> bool {
        let watts = if got.on { got.watts } else { 0.0 };
        let (on_before, watts_before) = (self.states[i].on, self.states[i].setpoint_w);
        if got.on == on_before && watts == watts_before {
            return false;
        }
        self.count_run_time(i);
        let load = &self.home.loads[i];
        let amps = (watts / load.watts_per_amp(self.scene().volts_of(load)) + 1e-6).floor();
        if watts != watts_before {
            self.begin_settling(i, watts);
        }
        let (now, state) = (self.now, &mut self.states[i]);
        state.patience.no_room();
        state.setpoint_w = watts;
        state.setpoint_a = amps;
        if got.on != on_before {
            state.on = got.on;
            state.patience.switched();
            if got.on {
                state.on_since = Some(now);
                self.last_start = Some(now);
            } else {
                state.off_since = Some(now);
                state.appetite.went_off();
            }
        }
        let load = self.states[i].id;
        self.give(Output::Record(Record::Setpoint { load, watts }));
        true
    }

    fn begin_settling(&mut self, i: usize, watts: f64) {
        let before = &self.states[i];
        let draws = self.draws();
        let (id, from_w) = (before.id, before.settling.map_or(before.setpoint_w, |s| s.from_w));
        let attributed_w = self.grid.as_ref().map_or(draws.now_w(id), |g| draws.attributed_w(id, g));
        let rest_before_w = self.grid.as_ref().map(|g| draws.rest_seen_w(g, id));
        let drawn_then = self.grid.as_ref().map_or(draws.now_w(id), |g| draws.at_w(id, g.own));
        let settling = Settling {
            from_w,
            step_w: (watts - from_w) * before.learnt.ratio,
            draw_before_w: draws.now_w(id),
            attributed_w,
            rest_before_w,
        };
        let now = self.now;
        let state = &mut self.states[i];
        if let Some(rest) = rest_before_w {
            state.answer.step_begins(now, rest, from_w, drawn_then, settling.step_w);
        }
        state.settling = Some(settling);
        state.commanded_at = Some(now);
    }

    /// Sends a load's command when it changed or is due for a refresh.
    fn send(&mut self, i: usize, changed: bool) {
        if self.role == Role::Watch {
            return;
        }
        let (load, state) = (&self.home.loads[i], &self.states[i]);
        let due_at = state.sent_at.map(|at| at + load.refresh);
        let due = changed || due_at.is_none_or(|at| self.now >= at);
        if due {
            let amps = load.is_charge_point().then_some(state.setpoint_a);
            let command = Command {
                load: state.id,
                on: state.on,
                watts: state.setpoint_w,
                amps,
                valid_for: lease(load.refresh, load.device_timeout),
                repeat: !changed && state.sent_at.is_some(),
            };
            self.states[i].sent_at = Some(self.now);
            self.give(Output::Command(command));
        }
        let refresh = self.home.loads[i].refresh;
        self.due.extend(self.states[i].sent_at.map(|at| at + refresh));
    }
}

/// For how long a command may be believed: two refreshes, and never longer than the device itself would.
fn lease(refresh: Span, device_timeout: Option<Span>) -> Span {
    let two = Span(refresh.0 * 2);
    device_timeout.map_or(two, |t| t.min(two))
}
