//! The table of verdicts.

use overspill_rules::commission::PointReport;

use super::faults::Injected;
use super::flows::Noise;
use super::plan::Plan;
use super::score::{Outcome, run};

/// Counts of one row, in points that were faulty.
#[derive(Debug, Clone, Copy, Default)]
pub struct Count {
    /// Faulty points judged.
    pub runs: usize,
    /// Of them found.
    pub found: usize,
    /// Of them left open.
    pub inconclusive: usize,
    /// Among all points, faulty or not.
    pub wrong: usize,
    /// Good points.
    pub good: usize,
    /// Of these called good.
    pub called_good: usize,
    /// Sizes of the sets, added up.
    pub set: usize,
    /// Of them single causes.
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
                tell(told(injected, noise, seed, &scored.report));
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

/// One wrong verdict, for whoever looks into it.
fn told(injected: &Injected, noise: Noise, seed: u64, report: &PointReport) -> String {
    let mut text =
        format!("wrong: {} / {} / seed {seed} / point {}", injected.name, noise.word(), report.point.0);
    for response in &report.responses {
        let edges: Vec<String> = response.edges().map(|(b, a)| format!("{b:.0}>{a:.0}")).collect();
        text += &format!(
            "\n   {:?} {:.0} W: {:?} within {:.3}: {}",
            response.what,
            response.step_w,
            response.share,
            response.error,
            edges.join(" ")
        );
    }
    format!("{text}\n   {:?}", report.set())
}
