//! Requests into set-points: who gets how much of the spare power, and when.
//!
//! Loads are walked by `turn`. Requests that do not depend on spare power are met first and taken off it; then each load
//! that takes spare power gets what fits, and what it leaves flows on to the next.

mod fixed;
mod pool;
mod spare;

use crate::home::Load;
use crate::limits;
use crate::loads::{LoadState, Scene};
use crate::output::Limit;
use crate::request::SpareTerms;
use crate::time::Moment;

pub(crate) use pool::Pool;

/// What is asked of one load after rules, overrides and bounds have spoken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Intent {
    /// In doubt: the load's fallback, at once. `None` lets the device's own time-out act.
    Fallback(Option<f64>),
    /// Off at once, for a reason that no wait may delay.
    Blocked,
    /// Off; a person's wish cuts `min_on` short.
    Off {
        /// A person asks.
        person: bool,
    },
    /// This many watts, whatever the source.
    Fixed {
        /// Watts asked for.
        watts: f64,
        /// A person asks.
        person: bool,
    },
    /// Spare power on these terms.
    Spare(SpareTerms),
}

/// What sharing needs to know of one load, gathered before anything changes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Facts {
    /// Draw at the grid reading's own time, in watts.
    pub(crate) draw_w: f64,
    /// The newest draw known, in watts: power that a load's own meter shows to be given up is free.
    pub(crate) newest_w: f64,
    /// It has a meter of its own.
    pub(crate) metered: bool,
    /// Its last step waits for a judgement.
    pub(crate) judgement_due: bool,
}

/// What one load gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Allotment {
    /// Whether it is on. A load without a floor may be on at 0 W: it waits for power without being switched.
    pub(crate) on: bool,
    /// Set-point in watts.
    pub(crate) watts: f64,
    /// What keeps it from what was asked.
    pub(crate) limit: Option<Limit>,
    /// When a wait of its own ends.
    pub(crate) wake: Option<Moment>,
}

/// Everything that one round of sharing works on. The slices are indexed by load.
pub(crate) struct Round<'a> {
    pub(crate) scene: Scene<'a>,
    pub(crate) intents: &'a [Intent],
    pub(crate) facts: &'a [Facts],
    /// All spare power, before anything was taken from it.
    pub(crate) spare: Pool,
    /// The part of the surplus that is kept for a battery served first.
    pub(crate) kept: Pool,
    /// How much less the roof will make before the next reading can tell, in watts.
    pub(crate) fading_w: f64,
    /// Loads in the order in which they are served.
    pub(crate) order: &'a [usize],
    /// Whether the grid reading is new since the last round.
    pub(crate) new_reading: bool,
    /// Why nothing may be switched on by itself now.
    pub(crate) no_starts: Option<Limit>,
    /// Only one load may start in this round, so that they start one after another.
    pub(crate) one_start: bool,
}

impl Allotment {
    pub(crate) fn off(limit: Option<Limit>) -> Allotment {
        Allotment { on: false, watts: 0.0, limit, wake: None }
    }

    fn on(watts: f64, limit: Option<Limit>) -> Allotment {
        Allotment { on: true, watts, limit, wake: None }
    }
}

/// Power that earlier loads claim or have just been given in this round, by which later loads are displaced.
#[derive(Debug, Clone, Copy, Default)]
struct Progress {
    displacing_w: f64,
    started: bool,
}

/// Shares out the spare power.
pub(crate) fn share(round: &Round<'_>, states: &mut [LoadState]) -> Vec<Allotment> {
    let mut pool = round.spare;
    let mut progress = Progress::default();
    let mut allotments = vec![Allotment::off(None); states.len()];
    for &i in round.order {
        if !matches!(round.intents[i], Intent::Spare(_)) {
            allotments[i] = fixed::allot(round, i, &mut states[i], &mut progress);
            pool.take(round.load(i), fixed::reserve(round, i, &states[i], &allotments[i]));
        }
    }
    for (place, &i) in round.order.iter().enumerate() {
        if let Intent::Spare(terms) = round.intents[i] {
            let later = &round.order[place + 1..];
            let asking = spare::Asking::new(round, i, terms, &pool, later, states);
            let (allotment, reserve_w) = asking.allot(&mut states[i], &mut progress);
            pool.take(round.load(i), reserve_w);
            allotments[i] = allotment;
        }
    }
    allotments
}

impl Round<'_> {
    fn load(&self, i: usize) -> &Load {
        &self.scene.home.loads[i]
    }

    fn volts(&self, i: usize) -> f64 {
        self.scene.volts_of(self.load(i))
    }

    /// Why load `i` may not be switched on now, although what it asks would fit.
    fn start_barred(&self, progress: &Progress) -> Option<Limit> {
        self.no_starts.or((self.one_start && progress.started).then_some(Limit::Restart))
    }

    /// The most that a load may be raised above its draw, in watts.
    fn headroom_w(&self, i: usize) -> f64 {
        self.load(i).step_w(self.volts(i)).max(limits::TELLING_STEP_W)
    }
}
