//! Verdicts held against the truth.

use overspill_rules::commission::{
    Act, Cause, Clamp, Evidence, Flow, PointReport, Response, Suspect, Unusable, Verdict, What, conclude,
    examine, responses,
};
use overspill_rules::home::PointId;

use super::faults::{Fault, Injected, trace};
use super::flows::{Flows, Noise, flows};
use super::plan::Plan;

/// What came of one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Good and said so, or wrong and its cause in the set.
    Found,
    /// Not known, and the truth in the set.
    Inconclusive,
    /// Good said of wrong data, wrong of good, or the truth not in the set.
    Wrong,
}

/// One run's points: outcome and size of the set, all suspects and single causes.
pub struct Scored {
    /// Held against the truth.
    pub outcome: Outcome,
    /// Size of the set.
    pub set: usize,
    /// Of it, single causes or none.
    pub single: usize,
    /// Whether something was wrong.
    pub faulty: bool,
    /// When the points were judged, in seconds.
    pub judged: i64,
    /// What was said.
    pub report: PointReport,
}

/// One afternoon of a home, with the evidence of every point and fault that was asked for so far: what one point reads
/// does not hang on the faults of another, but how often something is switched does.
pub struct Afternoon {
    plan: Plan,
    noise: Noise,
    seed: u64,
    cuts: Vec<Cut>,
}

/// The afternoon with so many switchings of each block.
struct Cut {
    counts: Vec<usize>,
    plan: Plan,
    flows: Flows,
    acts: Vec<Act>,
    known: Vec<Known>,
    clear: Vec<(PointId, Vec<Fault>, bool)>,
}

/// A point's faults and what it showed with them.
struct Known {
    point: PointId,
    faults: Vec<Fault>,
    evidence: Evidence,
}

impl Afternoon {
    /// Before anything was read.
    pub fn new(plan: Plan, noise: Noise, seed: u64) -> Afternoon {
        Afternoon { plan, noise, seed, cuts: Vec::new() }
    }

    /// What is said of each point with these faults. Their test load must be that of the plan.
    pub fn judged(&mut self, injected: &Injected) -> Vec<Scored> {
        let counts = self.counts(injected);
        let seed = self.seed;
        let clamps = self.plan.site.clamps.clone();
        let cut = self.cut(counts);
        let places: Vec<usize> = clamps.iter().map(|c| cut.place(c, injected.of(c.point), seed)).collect();
        let evidence: Vec<&Evidence> = places.iter().map(|i| &cut.known[*i].evidence).collect();
        let reports = conclude(&cut.plan.site, &evidence).points;
        clamps.iter().zip(reports).map(|(clamp, report)| score(&cut.plan, clamp, injected, report)).collect()
    }

    /// How often each block is switched: more often while an answer is not clear.
    fn counts(&mut self, injected: &Injected) -> Vec<usize> {
        let mut counts: Vec<usize> = Vec::new();
        for block in 0..self.plan.blocks.len() {
            let (what, often) = (self.plan.blocks[block].what, self.plan.blocks[block].often);
            // Nothing stays switched on by hand.
            let step = if matches!(what, What::TestLoad(_)) { 2 } else { 1 };
            let mut count = often.least;
            while count < often.most && !self.is_clear(&[&counts[..], &[count]].concat(), injected) {
                count += step;
            }
            counts.push(count);
        }
        counts
    }

    /// Whether every point has answered the last of these blocks clearly, as the procedure asks it; of a controlled load the
    /// supply's point.
    fn is_clear(&mut self, counts: &[usize], injected: &Injected) -> bool {
        let (block, seed) = (counts.len() - 1, self.seed);
        let what = self.plan.blocks[block].what;
        let mut clamps = self.plan.site.clamps.clone();
        if matches!(what, What::Load(_)) {
            clamps.retain(|c| c.own.flow == Flow::Tail);
            clamps.truncate(1);
        }
        let until = self.plan.answered(counts);
        let cut = self.cut(counts.to_vec());
        clamps.iter().all(|c| cut.is_clear(c, what, injected.of(c.point), until, seed))
    }

    fn cut(&mut self, mut counts: Vec<usize>) -> &mut Cut {
        counts.resize(self.plan.blocks.len(), 0);
        let known = self.cuts.iter().position(|c| c.counts == counts);
        let place = known.unwrap_or_else(|| {
            let plan = self.plan.cut(&counts);
            let flows = flows(&plan, self.noise, self.seed);
            let acts = plan.written(self.seed, flows.volts, |second| flows.solar_w(second));
            self.cuts.push(Cut { counts, plan, flows, acts, known: Vec::new(), clear: Vec::new() });
            self.cuts.len() - 1
        });
        &mut self.cuts[place]
    }
}

impl Cut {
    fn place(&mut self, clamp: &Clamp, faults: Vec<Fault>, seed: u64) -> usize {
        let known = self.known.iter().position(|k| k.point == clamp.point && k.faults == faults);
        known.unwrap_or_else(|| {
            let trace =
                trace(clamp, &self.flows, &faults, seed, (self.plan.interval_s, self.plan.judged as usize));
            let evidence = examine(&self.plan.site, clamp, Some(&trace), &self.acts, None);
            self.known.push(Known { point: clamp.point, faults, evidence });
            self.known.len() - 1
        })
    }

    fn is_clear(&mut self, clamp: &Clamp, what: What, faults: Vec<Fault>, until: i64, seed: u64) -> bool {
        if let Some(known) = self.clear.iter().find(|(p, f, _)| *p == clamp.point && *f == faults) {
            return known.2;
        }
        let trace = trace(clamp, &self.flows, &faults, seed, (self.plan.interval_s, until as usize));
        let unclear = |r: &&Response| r.what == what && r.share.is_err_and(|why| why != Unusable::Silent);
        let clear = !responses(&trace, &self.acts).iter().any(|r| unclear(&r));
        self.clear.push((clamp.point, faults, clear));
        clear
    }
}

fn score(plan: &Plan, clamp: &Clamp, injected: &Injected, report: PointReport) -> Scored {
    let truth = injected.truth(plan, clamp);
    let set = report.set();
    let holds = set.iter().any(|s| alike(plan, clamp, s, &truth));
    let outcome = match &report.verdict {
        Verdict::Good if truth.is_good() || holds => Outcome::Found,
        Verdict::Wrong(_) if !truth.is_good() && holds => Outcome::Found,
        Verdict::Inconclusive { .. } if set.is_empty() || holds => Outcome::Inconclusive,
        _ => Outcome::Wrong,
    };
    let single = set.iter().filter(|s| s.causes.len() <= 1).count();
    Scored { outcome, set: set.len(), single, faulty: !truth.is_good(), judged: plan.judged, report }
}

/// Whether no step can tell one from the other: the same causes, or the same answer to everything that is switched
/// while all that differs has no size of its own.
fn alike(plan: &Plan, clamp: &Clamp, one: &Suspect, other: &Suspect) -> bool {
    if one == other {
        return true;
    }
    let sized = |s: &Suspect| -> Vec<Cause> {
        let has_size = |c: &Cause| matches!(c, Cause::Scale | Cause::Disturbed(_) | Cause::Unsigned);
        s.causes.iter().copied().filter(has_size).collect()
    };
    let answers = |s: &Suspect| -> Vec<i64> {
        plan.truths.iter().map(|t| (1e6 * answer(plan, clamp, s, t.what)).round() as i64).collect()
    };
    let silent = |s: &Suspect| answers(s).iter().all(|a| *a == 0);
    let both_silent = silent(one) && silent(other) && one.is_good() == other.is_good();
    both_silent || (sized(one) == sized(other) && answers(one) == answers(other))
}

/// What the suspect answers when `what` is said: where the test load was elsewhere it answers what was truly switched.
fn answer(plan: &Plan, clamp: &Clamp, suspect: &Suspect, what: What) -> f64 {
    let elsewhere = suspect.causes.contains(&Cause::TestLoadElsewhere);
    let truly = if elsewhere { plan.truly(what) } else { Some(what) };
    let disturbing = suspect.causes.iter().find_map(|c| match c {
        Cause::Disturbed(other) => Some(*other),
        _ => None,
    });
    let own = |w| suspect.answer(&plan.site, clamp, w);
    truly.map_or(0.0, |w| own(w) + disturbing.map_or(0.0, |other| 0.3 * plan.site.answer(other, w)))
}
