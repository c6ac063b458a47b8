//! The table of verdicts.

use std::collections::BTreeMap;

use super::faults::Injected;
use super::flows::Noise;
use super::plan::Plan;
use super::score::{Afternoon, Outcome, Scored};

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
    /// Seconds until the points were judged, of all points added up.
    pub seconds: i64,
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
        self.seconds += other.seconds;
    }

    fn score(&mut self, scored: &Scored) {
        let is = |outcome| usize::from(scored.outcome == outcome);
        self.wrong += is(Outcome::Wrong);
        self.seconds += scored.judged;
        if scored.faulty {
            self.runs += 1;
            self.found += is(Outcome::Found);
            self.inconclusive += is(Outcome::Inconclusive);
            self.set += scored.set;
            self.single += scored.single;
        } else {
            self.good += 1;
            self.called_good += is(Outcome::Found);
        }
    }

    /// The row's figures: runs, found, inconclusive, wrong, sound points called good, mean size of the set (of it single
    /// causes), mean minutes until the points were judged.
    pub fn line(&self) -> String {
        let of = |n: usize, all: usize| if all == 0 { 100.0 } else { 100.0 * n as f64 / all as f64 };
        let mean = |n: usize| n as f64 / self.runs.max(1) as f64;
        format!(
            "{:7}  {:6.2} %  {:6.2} %  {:5}  {:6.2} %  {:5.2} ({:.2})  {:5.1}",
            self.runs,
            of(self.found, self.runs),
            of(self.inconclusive, self.runs),
            self.wrong,
            of(self.called_good, self.good),
            mean(self.set),
            mean(self.single),
            self.seconds as f64 / 60.0 / (self.runs + self.good).max(1) as f64
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

/// One row for each of `all`, on the afternoons of `seeds`. Verdicts that are wrong, or leave
/// a point open, are told one by one to `tell`.
pub fn rows(
    plan: impl Fn(u64) -> Plan,
    all: &[Injected],
    noise: Noise,
    seeds: impl Iterator<Item = u64>,
    tell: &mut impl FnMut(Outcome, &dyn Fn() -> String),
) -> Vec<Count> {
    let mut counts = vec![Count::default(); all.len()];
    for seed in seeds {
        let mut afternoons: BTreeMap<[u8; 3], Afternoon> = BTreeMap::new();
        for (injected, count) in all.iter().zip(&mut counts) {
            let afternoon = afternoons.entry(injected.test_load).or_insert_with(|| {
                let plan = Plan { test_load: injected.test_load, ..plan(seed) };
                Afternoon::new(plan, noise, seed)
            });
            for scored in afternoon.judged(injected) {
                count.score(&scored);
                if scored.outcome != Outcome::Found {
                    tell(scored.outcome, &|| told(injected, noise, seed, &scored));
                }
            }
        }
    }
    counts
}

/// One verdict, for whoever looks into it.
fn told(injected: &Injected, noise: Noise, seed: u64, scored: &Scored) -> String {
    let report = &scored.report;
    let (name, noise) = (&injected.name, noise.word());
    let mut text = format!("{:?}: {name} / {noise} / seed {seed} / point {}", scored.outcome, report.point.0);
    for response in &report.responses {
        let edges: Vec<String> = response.edges().map(|(b, a)| format!("{b:.0}>{a:.0}")).collect();
        text += &format!(
            "\n   {:?} {:.0} W, {} of {}: {:?} within {:.3}: {}",
            response.what,
            response.step_w,
            response.used,
            response.made,
            response.share,
            response.error,
            edges.join(" ")
        );
    }
    format!("{text}\n   {:?}", report.verdict)
}
