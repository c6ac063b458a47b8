//! The verdict on each point.

use crate::home::PointId;

use super::cause::{Cause, likely_scale};
use super::evidence::{Evidence, examine, explained_together};
use super::fit::Fit;
use super::response::{Response, Unusable};
use super::site::{Clamp, Flow, Site};
use super::step::{Act, What};
use super::suspect::Suspect;
use super::trace::Trace;

/// What is held of one point.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Every fault that the steps can show is ruled out.
    Good,
    /// Something is wrong: one of these, the simplest first.
    Wrong(Vec<Suspect>),
    /// Not known yet.
    Inconclusive {
        /// What still fits, good included; the simplest first.
        open: Vec<Suspect>,
        /// What would tell.
        next: Next,
    },
}

/// The step that would separate what still fits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Switch this and see the point answer; the reason is why what was seen does not count.
    Step(What, Unusable),
    /// Let the home export: only then is a sign seen.
    Export,
    /// Compare with an instrument: only that tells a scale.
    Instrument,
    /// Nothing that is known explains it: look at the wiring, and repeat.
    LookAgain,
}

/// One point and what is held of it.
#[derive(Debug, Clone, PartialEq)]
pub struct PointReport {
    /// Which point.
    pub point: PointId,
    /// Its answers.
    pub responses: Vec<Response>,
    /// The verdict.
    pub verdict: Verdict,
    /// By what factor it reads, at least and at most, where its scale is wrong.
    pub reads_times: Option<(f64, f64)>,
}

/// All points of a home.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// In the order of the site's clamps.
    pub points: Vec<PointReport>,
}

/// Judges every clamp of `site` by what it did when `acts` were done. `power_factors` are those that points showed while
/// the test load made most of what they measured, where they measure that at all.
pub fn diagnose(site: &Site, traces: &[Trace], acts: &[Act], power_factors: &[(PointId, f64)]) -> Diagnosis {
    let examined = |clamp: &Clamp| {
        let trace = traces.iter().find(|t| t.point == clamp.point);
        let pf = power_factors.iter().find(|(p, _)| *p == clamp.point).map(|(_, pf)| *pf);
        examine(site, clamp, trace, acts, pf)
    };
    let evidence: Vec<Evidence> = site.clamps.iter().map(examined).collect();
    conclude(site, &evidence.iter().collect::<Vec<_>>())
}

/// Judges every clamp of `site` by the evidence of each, in the order of the clamps.
pub fn conclude(site: &Site, evidence: &[&Evidence]) -> Diagnosis {
    let fits = explained_together(site, evidence);
    let points = site.clamps.iter().zip(evidence).zip(fits);
    Diagnosis {
        points: points
            .map(|((clamp, evidence), fits)| report(site, clamp, evidence.responses.clone(), fits))
            .collect(),
    }
}

fn report(site: &Site, clamp: &Clamp, responses: Vec<Response>, fits: Vec<Fit>) -> PointReport {
    let scale = fits.iter().find(|f| f.suspect.has(Cause::Scale)).map(|f| (f.scale.low, f.scale.high));
    let verdict = verdict(site, clamp, &responses, &fits);
    PointReport { point: clamp.point, responses, verdict, reads_times: scale }
}

fn verdict(site: &Site, clamp: &Clamp, responses: &[Response], fits: &[Fit]) -> Verdict {
    let open: Vec<Suspect> = fits.iter().map(|f| f.suspect.clone()).collect();
    let is_open = |s: &Suspect| s.is_good();
    if open.is_empty() {
        return Verdict::Inconclusive { open, next: Next::LookAgain };
    }
    if !open.iter().any(is_open) {
        return Verdict::Wrong(open);
    }
    if !fits.iter().any(|f| !f.suspect.is_good() && f.grave) {
        return Verdict::Good;
    }
    let next = next(site, clamp, responses, &open);
    Verdict::Inconclusive { open, next }
}

/// What a point of this kind must have answered.
fn needed(site: &Site, clamp: &Clamp) -> Vec<What> {
    let test = What::TestLoad(if site.phases == 3 { clamp.own.phase.or(Some(1)) } else { None });
    match clamp.own.flow {
        Flow::Tail | Flow::House if site.solar => vec![test, What::SolarOff],
        Flow::Tail | Flow::House => vec![test],
        Flow::Solar => vec![What::SolarOff, test],
        Flow::Load(load) => vec![What::Load(load), test],
        Flow::Battery => vec![test],
    }
}

fn next(site: &Site, clamp: &Clamp, responses: &[Response], open: &[Suspect]) -> Next {
    for what in needed(site, clamp) {
        match responses.iter().find(|r| r.what == what) {
            None => return Next::Step(what, Unusable::TooFew),
            Some(Response { share: Err(why), .. }) => return Next::Step(what, *why),
            Some(_) => {}
        }
    }
    let single = |s: &&Suspect| s.causes.len() == 1;
    match open.iter().find(single).map(|s| s.causes.as_slice()) {
        Some([Cause::Unsigned]) => Next::Export,
        Some([Cause::Scale]) => Next::Instrument,
        _ => open
            .iter()
            .find(|s| s.has(Cause::Unsigned))
            .map_or(Next::Step(test_of(responses), Unusable::Restless), |_| Next::Export),
    }
}

fn test_of(responses: &[Response]) -> What {
    let worst = responses.iter().max_by(|a, b| a.error.total_cmp(&b.error));
    worst.map_or(What::TestLoad(None), |r| r.what)
}

impl PointReport {
    /// The likely reason of a wrong scale, in words.
    pub fn likely_scale(&self) -> Option<&'static str> {
        self.reads_times.and_then(|(low, high)| likely_scale(low, high)).map(|(_, words)| words)
    }

    /// The likely factor of a wrong scale.
    pub fn likely_factor(&self) -> Option<f64> {
        self.reads_times.and_then(|(low, high)| likely_scale(low, high)).map(|(factor, _)| factor)
    }

    /// Everything that still fits; good alone where the point is good.
    pub fn set(&self) -> Vec<Suspect> {
        match &self.verdict {
            Verdict::Good => vec![Suspect::good()],
            Verdict::Wrong(open) | Verdict::Inconclusive { open, .. } => open.clone(),
        }
    }
}
