//! What each load draws: now, at an earlier moment, and while it moves.

use super::LoadState;
use crate::balance::{GridReading, Phased};
use crate::home::{CountedBy, Home, LoadId, PointId};
use crate::reading::Meter;
use crate::time::{Moment, Span};

/// The draws of all loads, as their meters tell or as the grid's answers have confirmed.
#[derive(Clone, Copy)]
pub(crate) struct Draws<'a> {
    pub(crate) home: &'a Home,
    pub(crate) now: Moment,
    pub(crate) meters: &'a [Meter],
    pub(crate) meter_of: &'a [Option<PointId>],
    pub(crate) states: &'a [LoadState],
}

impl<'a> Draws<'a> {
    fn meter(&self, id: LoadId) -> Option<&'a Meter> {
        self.meter_of[usize::from(id.0)].map(|p| &self.meters[usize::from(p.0)])
    }

    fn state(&self, id: LoadId) -> &'a LoadState {
        &self.states[usize::from(id.0)]
    }

    /// Whether the load has a meter of its own.
    pub(crate) fn is_metered(&self, id: LoadId) -> bool {
        self.meter_of[usize::from(id.0)].is_some()
    }

    /// The newest report of the load's own meter.
    pub(crate) fn newest(&self, id: LoadId) -> Option<(Moment, f64)> {
        self.meter(id)?.newest()
    }

    /// Reports of the load's own meter after `after` and not after `upto`.
    pub(crate) fn reports(
        &self,
        id: LoadId,
        after: Moment,
        upto: Moment,
    ) -> impl Iterator<Item = (Moment, f64)> + 'a {
        self.meter(id).into_iter().flat_map(move |m| m.between(after, upto))
    }

    /// Whether the load's own meter, where it has one, has reported of late.
    pub(crate) fn meter_is_fresh(&self, id: LoadId) -> bool {
        self.meter_was_fresh(id, self.now)
    }

    fn meter_was_fresh(&self, id: LoadId, at: Moment) -> bool {
        let Some(point) = self.meter_of[usize::from(id.0)] else { return true };
        self.meters[usize::from(point.0)].power(at, self.home.point(point)).is_some()
    }

    /// The newest draw known, in watts; nothing while its meter is silent, so that no spare power is made of it.
    pub(crate) fn now_w(&self, id: LoadId) -> f64 {
        match self.meter(id) {
            Some(_) if !self.meter_is_fresh(id) => 0.0,
            Some(meter) => meter.newest().map_or(0.0, |(_, w)| w),
            None => self.state(id).confirmed_w,
        }
    }

    /// The draw as it stood at `at`, in watts; nothing where its meter had been silent for too long then.
    pub(crate) fn at_w(&self, id: LoadId, at: Moment) -> f64 {
        match self.meter(id) {
            Some(_) if !self.meter_was_fresh(id, at) => 0.0,
            Some(meter) => meter.power_at(at).unwrap_or(0.0),
            None => self.state(id).confirmed_w,
        }
    }

    /// The home at a grid reading without what this load draws: what its steps are judged on.
    ///
    /// A battery or a roof that answers a step hides it from the grid reading, so their known parts are added back.
    pub(crate) fn rest_w(&self, reading: &GridReading, skip: LoadId) -> f64 {
        let others = self.states.iter().filter(|s| s.id != skip && self.counts(s.id));
        let drawn: f64 = others.map(|s| self.likely_w(s, reading.own)).sum();
        self.home_w(reading) - drawn
    }

    /// The same with the others as the grid reading itself shows them: the own meter of one on the move may be of another
    /// second, and what it is late would be taken for this load's answer.
    pub(crate) fn rest_seen_w(&self, reading: &GridReading, skip: LoadId) -> f64 {
        let others = self.states.iter().filter(|s| s.id != skip && self.counts(s.id));
        let drawn = others.map(|s| match s.settling {
            Some(_) if self.is_metered(s.id) => self.attributed_w(s.id, reading),
            _ => self.likely_w(s, reading.own),
        });
        self.home_w(reading) - drawn.sum::<f64>()
    }

    /// What the home draws at a grid reading, loads included: the battery and the roof added back as far as known.
    pub(crate) fn home_w(&self, reading: &GridReading) -> f64 {
        let sum = |part: Option<Phased>| part.map_or(0.0, |p| p.sum);
        reading.grid.sum + sum(reading.battery) + sum(reading.solar)
    }

    /// What the counted loads with meters of their own drew at `at`, in watts.
    pub(crate) fn metered_w(&self, at: Moment) -> f64 {
        let metered = self.states.iter().filter(|s| self.is_metered(s.id) && self.counts(s.id));
        metered.map(|s| self.at_w(s.id, at)).sum()
    }

    /// What another load draws at `at`, in watts. One without a meter that is about to have settled has most likely
    /// followed: else its step would be taken for the answer to somebody else's.
    fn likely_w(&self, state: &LoadState, at: Moment) -> f64 {
        let settles =
            state.settling.is_some() && state.commanded_at.is_some_and(|t| at >= t + self.settle(state.id));
        if settles && !self.is_metered(state.id) && state.confirmed_w > 0.0 {
            return state.expected_w();
        }
        self.at_w(state.id, at)
    }

    /// Whether a load without a meter other than `id` is on the move at `at`.
    pub(crate) fn another_moves_unseen(&self, id: LoadId, at: Moment) -> bool {
        let moves = |s: &LoadState| {
            s.settling.is_some() && s.commanded_at.is_some_and(|t| at > t && at < t + self.settle(s.id))
        };
        let others = self.states.iter().filter(|s| s.id != id && self.counts(s.id) && !self.is_metered(s.id));
        others.into_iter().any(moves)
    }

    fn settle(&self, id: LoadId) -> Span {
        self.home.load(id).settle
    }

    /// Whether the grid point counts this load.
    pub(crate) fn counts(&self, id: LoadId) -> bool {
        self.home.load(id).counted_by != CountedBy::Nothing
    }

    /// The draw to be used with a grid reading. While a load moves, the grid reading itself tells how far it has come,
    /// since its own report may be of another moment.
    pub(crate) fn attributed_w(&self, id: LoadId, reading: &GridReading) -> f64 {
        let state = self.state(id);
        let (Some(settling), Some(commanded_at)) = (state.settling, state.commanded_at) else {
            return self.at_w(id, reading.own);
        };
        let Some(rest_before) = settling.rest_before_w.filter(|_| self.counts(id)) else {
            return self.at_w(id, reading.own);
        };
        if reading.own <= commanded_at {
            return settling.attributed_w;
        }
        let another_moves = self.states.iter().any(|s| s.id != id && s.settling.is_some());
        if another_moves && self.is_metered(id) {
            return self.at_w(id, reading.own);
        }
        let moved = self.rest_w(reading, id) - rest_before;
        let expected = state.expected_w();
        let (low, high) = (settling.attributed_w.min(expected), settling.attributed_w.max(expected));
        (settling.attributed_w + moved).clamp(low, high)
    }

    /// The draw as it stood at a grid reading; of a load whose meter is silent, what spare power has counted it with.
    pub(crate) fn counted_w(&self, id: LoadId, reading: &GridReading) -> f64 {
        if self.meter_was_fresh(id, reading.own) {
            self.at_w(id, reading.own)
        } else {
            self.attributed_w(id, reading)
        }
    }

    /// The draw of all loads that the grid point counts, at a grid reading.
    pub(crate) fn counted(&self, reading: &GridReading) -> Phased {
        let counted = self.states.iter().filter(|s| self.counts(s.id));
        counted.fold(Phased::ZERO, |sum, s| {
            sum.plus(1.0, self.on_phases(s.id, self.attributed_w(s.id, reading)))
        })
    }

    /// `watts` of a load, on the phases it draws from.
    pub(crate) fn on_phases(&self, id: LoadId, watts: f64) -> Phased {
        let range = self.home.load(id).phase_indices();
        let each = watts / range.len() as f64;
        let phases = std::array::from_fn(|i| if range.contains(&i) { each } else { 0.0 });
        Phased { sum: watts, phases: Some(phases) }
    }
}
