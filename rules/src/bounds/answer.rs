//! The answer of the grid: a step of a load must show in the grid reading.
//!
//! A reversed clamp turns control into positive feedback, and a load that the clamp does not count looks as if it drew
//! nothing. Both are found by judging each load's steps, added up until they are large enough to tell from the house's
//! own movements.

use crate::balance::GridReading;
use crate::home::Load;
use crate::limits;
use crate::loads::{Draws, LoadState};
use crate::time::Moment;

/// What the grid has answered to one load's steps.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Answer {
    anchor: Option<Anchor>,
    /// A judgement is due and the grid may still answer.
    pending: bool,
    /// Another load without a meter moved when this one settled, so that nobody could tell which of them did what.
    blurred: bool,
    /// Contradictions in a row.
    pub(crate) contradictions: u32,
    opposites: u32,
    unanswered: u32,
    /// Whether the contradicted load may rise again before an answer clears it.
    pub(crate) leave: Leave,
    /// The load was stopped for good.
    pub(crate) stopped: bool,
}

/// Leave to rise again after a contradiction. The way back to the floor may be too small a step to be told from the
/// house's own movements; then only a new step upwards can clear the load, or convict it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Leave {
    /// None: the way back is judged.
    #[default]
    None,
    /// Once it has waited at its floor.
    AfterWait,
    /// Until the next judgement.
    Granted,
}

/// Where a sum of steps began.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Anchor {
    at: Moment,
    rest_w: f64,
    setpoint_w: f64,
    draw_w: f64,
}

/// What a judgement leads to beyond the load's own account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Nothing to do.
    None,
    /// The reading contradicted for the first time in a row.
    Contradicted,
    /// Too many contradictions: the load is stopped.
    LoadStopped,
    /// They were opposite: all taking of spare power is stopped.
    SpareStopped,
}

impl Answer {
    /// A step of `step_w` begins at this reading. It is added to those that wait to be judged; but one that tells by
    /// itself is judged alone: the house has had less time to do something of its own, and what led to the step, a
    /// kettle often, is already in the reading.
    pub(crate) fn step_begins(&mut self, at: Moment, rest_w: f64, setpoint_w: f64, draw_w: f64, step_w: f64) {
        let anchor = Anchor { at, rest_w, setpoint_w, draw_w };
        let waiting = self.anchor.get_or_insert(anchor);
        let waiting_tells = (setpoint_w - waiting.setpoint_w).abs() >= limits::TELLING_STEP_W;
        if !waiting_tells && step_w.abs() >= limits::TELLING_STEP_W {
            *waiting = anchor;
        }
    }

    /// A load whose command is given up has no step to judge.
    pub(crate) fn forget_step(&mut self) {
        self.anchor = None;
        self.pending = false;
        self.blurred = false;
    }

    /// Whether no raise may come now, because a judgement is due.
    pub(crate) fn judgement_due(&self, state: &LoadState, draws: &Draws<'_>, reading: &GridReading) -> bool {
        let Some(anchor) = self.anchor else { return false };
        let expected = if draws.is_metered(state.id) {
            draws.now_w(state.id) - anchor.draw_w
        } else {
            (state.setpoint_w - anchor.setpoint_w) * state.learnt.ratio
        };
        let not_yet_read = state.commanded_at.is_some_and(|at| reading.own < at);
        expected.abs() >= limits::TELLING_STEP_W && (not_yet_read || self.pending)
    }
}

/// Judges the steps of one load at a new grid reading.
pub(crate) fn judge(state: &mut LoadState, load: &Load, draws: &Draws<'_>, reading: &GridReading) -> Verdict {
    let (Some(anchor), Some(commanded_at)) = (state.answer.anchor, state.commanded_at) else {
        return Verdict::None;
    };
    if state.settling.is_some() || reading.own < commanded_at || !draws.counts(state.id) {
        return Verdict::None;
    }
    let metered = draws.is_metered(state.id);
    if metered && draws.reports(state.id, commanded_at, reading.own).next().is_none() {
        return Verdict::None;
    }
    let expected = if metered {
        draws.at_w(state.id, reading.own) - anchor.draw_w
    } else {
        (state.setpoint_w - anchor.setpoint_w) * state.learnt.ratio
    };
    if expected.abs() < limits::TELLING_STEP_W {
        if reading.own - anchor.at > limits::JUDGE_EXPIRES {
            state.answer.anchor = None;
        }
        return Verdict::None;
    }
    if draws.another_moves_unseen(state.id, reading.own) {
        state.answer.pending = true;
        state.answer.blurred = true;
        return Verdict::None;
    }
    let moved = (draws.rest_seen_w(reading, state.id) - anchor.rest_w) * expected.signum();
    let share = moved / expected.abs();
    let may_still_come = reading.own < commanded_at + load.settle + limits::JUDGE_DELAY;
    if share < limits::ANSWERED_SHARE && may_still_come {
        state.answer.pending = true;
        return Verdict::None;
    }
    let blurred = state.answer.blurred;
    state.answer.forget_step();
    if blurred && !metered && expected > 0.0 && share >= limits::ANSWERED_SHARE {
        state.confirmed_w = state.confirmed_w.max((anchor.draw_w + moved).min(state.expected_w()));
    }
    if !metered && expected > 0.0 && anchor.setpoint_w > 0.0 {
        learn_reach(state, anchor, reading.own, share);
    }
    conclude(state, metered, expected > 0.0, share)
}

/// What a raise of an unmetered load says of how far it follows: it may limit itself.
fn learn_reach(state: &mut LoadState, anchor: Anchor, now: Moment, share: f64) {
    if share >= limits::ANSWERED_SHARE {
        state.reach.followed(state.setpoint_w);
    } else if share < limits::UNANSWERED_SHARE {
        state.confirmed_w = state.confirmed_w.min(anchor.setpoint_w * state.learnt.ratio);
        state.reach.not_followed(now, anchor.setpoint_w);
    }
}

fn conclude(state: &mut LoadState, metered: bool, raised: bool, share: f64) -> Verdict {
    let answer = &mut state.answer;
    if share >= limits::ANSWERED_SHARE {
        (answer.contradictions, answer.opposites, answer.unanswered) = (0, 0, 0);
        return Verdict::None;
    }
    if share < -limits::ANSWERED_SHARE {
        answer.contradictions += 1;
        answer.opposites += 1;
    } else if share < limits::UNANSWERED_SHARE && metered {
        answer.contradictions += 1;
    } else if share < limits::UNANSWERED_SHARE {
        answer.unanswered += 1;
        if answer.unanswered >= limits::UNANSWERED_STOP && raised {
            state.confirmed_w = 0.0;
        }
        return Verdict::None;
    } else {
        return Verdict::None;
    }
    answer.leave = Leave::None;
    if answer.contradictions >= limits::CONTRADICTIONS_STOP {
        let already_stopped = std::mem::replace(&mut answer.stopped, true);
        return match answer.opposites >= limits::OPPOSITES_STOP {
            true => Verdict::SpareStopped,
            false if already_stopped => Verdict::None,
            false => Verdict::LoadStopped,
        };
    }
    if answer.contradictions == 1 { Verdict::Contradicted } else { Verdict::None }
}
