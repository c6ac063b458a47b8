//! Verdicts held against the truth.

use overspill_rules::commission::{Clamp, PointReport, Site, Suspect, Verdict, What, diagnose};

use super::faults::{Injected, traces};
use super::flows::{Noise, flows};
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
    /// What was said.
    pub report: PointReport,
}

/// One afternoon with these faults.
pub fn run(plan: &Plan, injected: &Injected, noise: Noise, seed: u64) -> Vec<Scored> {
    let flows = flows(plan, noise, seed);
    let acts = plan.written(seed, flows.volts, |second| flows.solar_w(second));
    let traces = traces(plan, &flows, injected, seed, 1);
    let diagnosis = diagnose(&plan.site, &traces, &acts, &[]);
    let clamps = plan.site.clamps.iter().zip(diagnosis.points);
    clamps.map(|(clamp, report)| score(plan, clamp, injected, report)).collect()
}

fn score(plan: &Plan, clamp: &Clamp, injected: &Injected, report: PointReport) -> Scored {
    let truth = injected.truth(clamp.point);
    let set = report.set();
    let holds = set.iter().any(|s| alike(&plan.site, clamp, s, &truth));
    let outcome = match &report.verdict {
        Verdict::Good if truth.is_good() => Outcome::Found,
        Verdict::Wrong(_) if !truth.is_good() && holds => Outcome::Found,
        Verdict::Inconclusive { .. } if set.is_empty() || holds => Outcome::Inconclusive,
        _ => Outcome::Wrong,
    };
    let single = set.iter().filter(|s| s.causes.len() <= 1).count();
    Scored { outcome, set: set.len(), single, faulty: !truth.is_good(), report }
}

/// Whether no step can tell one from the other: the same causes, or the same answer to everything that is switched
/// while all that differs has no size of its own.
fn alike(site: &Site, clamp: &Clamp, one: &Suspect, other: &Suspect) -> bool {
    use overspill_rules::commission::Cause;
    if one == other {
        return true;
    }
    let sized = |s: &Suspect| {
        s.causes
            .iter()
            .copied()
            .filter(|c| matches!(c, Cause::Scale | Cause::Disturbed(_) | Cause::Unsigned))
            .collect::<Vec<_>>()
    };
    let steps = [
        What::TestLoad(None),
        What::TestLoad(Some(1)),
        What::TestLoad(Some(2)),
        What::TestLoad(Some(3)),
        What::SolarOff,
    ];
    let loads = site.consumers.iter().map(|c| What::Load(c.load));
    let same = |what| (one.answer(site, clamp, what) - other.answer(site, clamp, what)).abs() < 1e-9;
    let disturbed = |s: &Suspect| s.causes.iter().any(|c| matches!(c, Cause::Disturbed(_)));
    let silent = |s: &Suspect| s.causes.contains(&Cause::NoReading) && !disturbed(s);
    (silent(one) && silent(other)) || (sized(one) == sized(other) && steps.into_iter().chain(loads).all(same))
}
