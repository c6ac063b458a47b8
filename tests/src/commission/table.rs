//! The table of verdicts.

use super::faults::Injected;
use super::flows::Noise;
use super::plan::Plan;
use super::score::{Outcome, run};

/// Counts of one row, in points that were faulty.
#[derive(Debug, Clone, Copy, Default)]
pub struct Count {
    pub runs: usize,
    pub found: usize,
    pub inconclusive: usize,
    /// Among all points, faulty or not.
    pub wrong: usize,
    /// Good points, and how many of them were called good.
    pub good: usize,
    pub called_good: usize,
    pub set: usize,
    pub single: usize,
}

impl Count {
    /// Counts one more row into this one.
    pub fn add(&mut self, other: Count) {
        self.runs += other.runs;
        self.found += other.found;
        self.inconclusive += other.inconclusive;
        self.wrong += other.wrong;
        self.good += other.good;
        self.called_good += other.called_good;
        self.set += other.set;
        self.single += other.single;
    }

    /// The row's figures: runs, found, inconclusive, wrong, sound points called good, mean size of the set (of it single
    /// causes).
    pub fn line(&self) -> String {
        let of = |n: usize, all: usize| if all == 0 { 100.0 } else { 100.0 * n as f64 / all as f64 };
        let mean = |n: usize| n as f64 / self.runs.max(1) as f64;
        format!(
            "{:7}  {:6.2} %  {:6.2} %  {:5}  {:6.2} %  {:5.2} ({:.2})",
            self.runs,
            of(self.found, self.runs),
            of(self.inconclusive, self.runs),
            self.wrong,
            of(self.called_good, self.good),
            mean(self.set),
            mean(self.single)
        )
    }

    /// Share of faulty points found.
    pub fn found_share(&self) -> f64 {
        self.found as f64 / self.runs.max(1) as f64
    }

    /// Share of faulty points left open.
    pub fn inconclusive_share(&self) -> f64 {
        self.inconclusive as f64 / self.runs.max(1) as f64
    }
}

/// One row: these faults on `seeds` afternoons. Wrong verdicts are told one by one to `tell`.
pub fn row(
    plan: impl Fn(u64) -> Plan,
    injected: &Injected,
    noise: Noise,
    seeds: std::ops::Range<u64>,
    tell: &mut impl FnMut(String),
) -> Count {
    let mut count = Count::default();
    for seed in seeds {
        for scored in run(&plan(seed), injected, noise, seed) {
            let is = |outcome| usize::from(scored.outcome == outcome);
            count.wrong += is(Outcome::Wrong);
            if scored.outcome == Outcome::Wrong {
                let point = scored.report.point.0;
                tell(format!(
                    "wrong: {} / {} / seed {seed} / point {point}: {:?}",
                    injected.name,
                    noise.word(),
                    scored.report.verdict
                ));
            }
            if scored.faulty {
                count.runs += 1;
                count.found += is(Outcome::Found);
                count.inconclusive += is(Outcome::Inconclusive);
                count.set += scored.set;
                count.single += scored.single;
            } else {
                count.good += 1;
                count.called_good += is(Outcome::Found);
            }
        }
    }
    count
}
