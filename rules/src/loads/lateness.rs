//! How much later the grid reading shows what loads do than the home file says.
//!
//! Not every meter's lag is known to whoever fits it. Where it is not declared, the balance mixes ages: a load's own
//! meter tells that it has moved, the grid reading does not yet, and the difference looks like spare power that came or
//! went. So the home without its loads is drawn up as it would be for every lateness that is possible; at the true one
//! a load's step vanishes from it, at any other the step shows twice, once for each meter. What the house does by itself
//! shows equally in all of them.

use crate::limits;
use crate::time::{Moment, Span};

const CANDIDATES: usize = limits::LATENESS_AT_MOST_S + 1;

/// The learnt lateness of the grid reading, beyond its declared lag.
#[derive(Debug, Clone)]
pub(crate) struct Lateness {
    before: Option<Sample>,
    /// Restlessness of the home without its loads, in watts, for each possible lateness in whole seconds.
    restless_w: [f64; CANDIDATES],
    /// Restlessness of the home with them, in watts: it must be more, or the reading does not show the loads at all.
    with_loads_w: f64,
    /// Movement of the loads by which these were told apart, in watts.
    moved_w: f64,
    /// The lateness believed, in seconds.
    by_s: usize,
}

/// One reading.
#[derive(Debug, Clone, Copy)]
struct Sample {
    own: Moment,
    /// What the home drew, loads included, in watts.
    home_w: f64,
    /// What its metered loads drew if the reading is so many seconds late, in watts.
    drawn_w: [f64; CANDIDATES],
}

impl Default for Lateness {
    fn default() -> Lateness {
        Lateness { before: None, restless_w: [0.0; CANDIDATES], with_loads_w: 0.0, moved_w: 0.0, by_s: 0 }
    }
}

impl Lateness {
    /// By how much the reading is older than declared.
    pub(crate) fn by(&self) -> Span {
        Span::seconds(self.by_s as i64)
    }

    /// Takes a new grid reading: its own time as declared, what the home drew at it, what its loads drew at a moment.
    pub(crate) fn learn(&mut self, own: Moment, home_w: f64, drawn_w: impl Fn(Moment) -> f64) {
        if self.before.as_ref().is_some_and(|s| own - s.own < limits::LATENESS_SAMPLES) {
            return;
        }
        let drawn_w = std::array::from_fn(|seconds| drawn_w(own - Span::seconds(seconds as i64)));
        let sample = Sample { own, home_w, drawn_w };
        if let Some(before) = self.before.replace(sample)
            && sample.own - before.own <= Span::seconds(limits::LATENESS_AT_MOST_S as i64)
        {
            self.compare(&before, &sample);
            self.conclude();
        }
    }

    fn compare(&mut self, before: &Sample, now: &Sample) {
        let home_moved = now.home_w - before.home_w;
        let moved: [f64; CANDIDATES] = std::array::from_fn(|i| now.drawn_w[i] - before.drawn_w[i]);
        let most = moved.iter().fold(home_moved.abs(), |most, w| most.max(w.abs()));
        // One great step proves no more than a telling one: a kettle may have come just then.
        let weight = limits::TELLING_STEP_W / most.max(limits::TELLING_STEP_W);
        let add = |sum: f64, w: f64| limits::LATENESS_KEEPS * sum + weight * w.abs();
        self.moved_w = add(self.moved_w, moved[0]);
        self.with_loads_w = add(self.with_loads_w, home_moved);
        for (restless, moved) in self.restless_w.iter_mut().zip(moved) {
            *restless = add(*restless, home_moved - moved);
        }
    }

    /// Another lateness than the one believed must explain a good part of what the loads moved, better than that one and
    /// better than a reading that does not show them; of those that do about equally well, the least.
    fn conclude(&mut self) {
        let believed = self.restless_w[self.by_s];
        let best = self.restless_w.iter().copied().fold(f64::INFINITY, f64::min);
        let gained = believed.min(self.with_loads_w) - best;
        if self.moved_w < limits::LATENESS_TELLING_W || gained < limits::LATENESS_GAINS * self.moved_w {
            return;
        }
        let good_enough = best + limits::LATENESS_EQUALLY * gained;
        let least = self.restless_w.iter().position(|w| *w <= good_enough);
        self.by_s = least.unwrap_or(self.by_s);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings every `every_s` seconds, late by `late_s`, of a load that goes on and off for a minute each, in a house
    /// with a kettle, that does so in its own time.
    fn learnt(every_s: i64, late_s: i64, sign: f64) -> i64 {
        let square =
            |s: i64, period: i64, watts: f64| if s.rem_euclid(2 * period) < period { 0.0 } else { watts };
        let load = |s: i64| square(s, 61, 1000.0);
        let mut lateness = Lateness::default();
        for now in (0..900).step_by(every_s as usize) {
            let home_w = square(now - late_s, 97, 2200.0) + sign * load(now - late_s);
            // The load's own meter reports every other second.
            lateness.learn(Moment(now * 1000), home_w, |at| load(at.0 / 2000 * 2));
        }
        lateness.by().0 / 1000
    }

    #[test]
    fn finds_how_late_the_reading_shows_what_a_load_does() {
        for every_s in [1, 5] {
            for late_s in [5, 10, 20] {
                let by = learnt(every_s, late_s, 1.0);
                assert!((by - late_s).abs() <= every_s.max(2), "every {every_s} s, late {late_s} s: {by} s");
            }
        }
    }

    #[test]
    fn a_reading_that_is_in_time_or_does_not_follow_teaches_nothing() {
        for every_s in [1, 5, 10, 60] {
            assert_eq!(learnt(every_s, 0, 1.0), 0, "in time");
            assert_eq!(learnt(every_s, 10, 0.0), 0, "not counted");
            assert_eq!(learnt(every_s, 10, -1.0), 0, "reversed");
        }
    }
}
