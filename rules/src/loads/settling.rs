//! From a command to its complete effect.

use super::{Draws, LoadState, Scene};
use crate::balance::GridReading;
use crate::home::Load;
use crate::limits;
use crate::time::Moment;

impl LoadState {
    /// What the grid is compared with has changed: steps on the way can't be judged any more.
    pub(crate) fn lose_reference(&mut self) {
        self.answer.forget_step();
        if let Some(settling) = &mut self.settling {
            settling.rest_before_w = None;
        }
    }
}

/// A command whose effect is not yet complete.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Settling {
    /// Set-point before, in watts.
    pub(crate) from_w: f64,
    /// The step expected in the draw, in watts, signed.
    pub(crate) step_w: f64,
    /// The load's newest draw when it was commanded.
    pub(crate) draw_before_w: f64,
    /// The draw attributed to it at the grid reading that stood then.
    pub(crate) attributed_w: f64,
    /// The rest of the home at that reading, without this load.
    pub(crate) rest_before_w: Option<f64>,
}

/// Looks whether `state` has settled. `new_reading` says that the grid reading is new.
pub(crate) fn observe(
    state: &mut LoadState,
    load: &Load,
    scene: &Scene<'_>,
    draws: &Draws<'_>,
    reading: &GridReading,
    new_reading: bool,
) {
    let Some(settling) = state.settling else { return };
    let Some(commanded_at) = state.commanded_at else { return };
    if draws.is_metered(state.id) {
        observe_metered(state, load, scene, draws, reading, settling, commanded_at);
    } else if new_reading && reading.own >= commanded_at + load.settle {
        let moved =
            settling.rest_before_w.map_or(0.0, |before| draws.rest_seen_w(reading, state.id) - before);
        settle_unmetered(state, load, scene, settling, moved);
    }
}

/// A metered load is settled once a report later than the command shows that it moved, or a report from after `settle`
/// has come; in both cases only with a grid reading no older than that report.
fn observe_metered(
    state: &mut LoadState,
    load: &Load,
    scene: &Scene<'_>,
    draws: &Draws<'_>,
    reading: &GridReading,
    settling: Settling,
    commanded_at: Moment,
) {
    let Some((_, newest_w)) = draws.newest(state.id) else { return };
    let mut seen = draws.reports(state.id, commanded_at, reading.own);
    let settled =
        seen.any(|(at, watts)| at >= commanded_at + load.settle || moved_as_told(state, settling, watts));
    if !settled {
        return;
    }
    state.settling = None;
    if state.setpoint_w > 0.0 {
        let big = (state.setpoint_w - settling.from_w).abs() >= limits::TELLING_STEP_W;
        let start = big && started_at_floor(state, load, scene, settling);
        state.learnt.metered(newest_w / state.setpoint_w, start);
    }
}

fn moved_as_told(state: &LoadState, settling: Settling, watts: f64) -> bool {
    if state.setpoint_w == 0.0 {
        return watts < limits::OFF_DRAW_W;
    }
    let step = (state.setpoint_w - settling.from_w) * state.learnt.ratio;
    (watts - settling.draw_before_w) * step.signum() >= limits::MOVED_SHARE * step.abs()
}

/// An unmetered load counts with what steps of the grid have confirmed. Steps too small to tell are taken to follow.
fn settle_unmetered(state: &mut LoadState, load: &Load, scene: &Scene<'_>, settling: Settling, moved_w: f64) {
    state.settling = None;
    let step = settling.step_w;
    let answered = moved_w * step.signum() >= limits::ANSWERED_SHARE * step.abs();
    let telling = step.abs() >= limits::TELLING_STEP_W;
    if state.setpoint_w == 0.0 {
        state.confirmed_w = 0.0;
        return;
    }
    if telling && answered && settling.from_w == 0.0 && started_at_floor(state, load, scene, settling) {
        state.learnt.unmetered_start(moved_w / (state.setpoint_w - settling.from_w));
    }
    if telling || settling.from_w == 0.0 {
        if answered || (step < 0.0 && state.confirmed_w > 0.0) {
            state.confirmed_w = state.expected_w();
        } else if step > 0.0 {
            state.confirmed_w = state.confirmed_w.min(settling.from_w * state.learnt.ratio);
        }
    } else if state.confirmed_w > 0.0 {
        state.confirmed_w = state.expected_w();
    }
}

fn started_at_floor(state: &LoadState, load: &Load, scene: &Scene<'_>, settling: Settling) -> bool {
    let least = load.floor_w(scene.volts_of(load)).max(limits::TELLING_STEP_W);
    settling.from_w == 0.0 && state.setpoint_w <= least * 1.001
}
