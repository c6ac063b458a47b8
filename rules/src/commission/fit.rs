//! Whether a suspect explains a point's answers. All is worked in intervals: a suspect is let go only when no true step
//! within its tolerance, no scale within its range and no disturbance within its range can give what was seen.

use super::cause::Cause;
use super::elsewhere::Elsewhere;
use super::response::Response;
use super::site::{Clamp, Site};
use super::step::What;
use super::suspect::{NOTHING, Suspect};
use super::unsigned;

/// What a good point may be off by, as a share. Clamps of class 1 hold 3 % at a twentieth of their rating (IEC 61869-2),
/// meters of class 1 hold 1.5 % (IEC 62053-21, from memory).
const GOOD_SCALE: Range = Range { low: 0.95, high: 1.05 };

/// A factor within a fifth is no fault that a heater's rating could show: an instrument must.
const SCALES: [Range; 2] = [Range { low: 0.08, high: 0.8 }, Range { low: 1.25, high: 12.0 }];

/// What even a good point picks up from its neighbours, as a share of the step.
const PICKED_UP: f64 = 0.05;

/// The shares of the neighbour's power that a disturbance may add; each cell is tried as a whole.
const DISTURBANCES: [f64; 9] = [0.05, 0.08, 0.12, 0.16, 0.2, 0.27, 0.36, 0.47, 0.6];

/// A disturbance from here on must be ruled out before a point is called good. A heater rated to -10/+5 % can't show less.
const GRAVE: f64 = 0.27;

/// A disturbance to see whether a step would show it at all.
const SOME: Range = Range { low: GRAVE, high: GRAVE };

/// With a heater on, another phase's voltage gives a power factor of 0.5, the right one nearly 1 (computed).
const PF_WRONG_BELOW: f64 = 0.6;
const PF_RIGHT_ABOVE: f64 = 0.9;

/// All numbers between two.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
}

/// A suspect that explains what was seen.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fit {
    pub(super) suspect: Suspect,
    /// The scales with which it does.
    pub(super) scale: Range,
    /// The true solar steps, as shares of the expected one, with which it does.
    pub(super) solar: Vec<Range>,
    /// Whether it is more than a small disturbance.
    pub(super) grave: bool,
    /// Whether steps could ever tell it from what is simpler.
    pub(super) apart: bool,
}

impl Range {
    pub(super) fn of(one: f64, other: f64) -> Range {
        Range { low: one.min(other), high: one.max(other) }
    }

    pub(super) fn meet(self, other: Range) -> Option<Range> {
        let met = Range { low: self.low.max(other.low), high: self.high.min(other.high) };
        (met.low <= met.high).then_some(met)
    }

    fn holds(self, number: f64) -> bool {
        (self.low..=self.high).contains(&number)
    }

    pub(super) fn times(self, other: Range) -> Range {
        let products =
            [self.low * other.low, self.low * other.high, self.high * other.low, self.high * other.high];
        let low = products.iter().copied().fold(f64::INFINITY, f64::min);
        Range { low, high: products.iter().copied().fold(f64::NEG_INFINITY, f64::max) }
    }

    pub(super) fn scaled(self, by: f64) -> Range {
        Range::of(self.low * by, self.high * by)
    }

    /// The positive numbers that, times one of `of`, can give one of `self`; everything where `of` may be 0.
    fn over(self, of: Range) -> Option<Range> {
        if of.high < 0.0 {
            return self.scaled(-1.0).over(of.scaled(-1.0));
        }
        if of.low <= 0.0 {
            return Some(Range { low: 0.0, high: f64::INFINITY });
        }
        if self.high <= 0.0 {
            return None;
        }
        let low = if self.low > 0.0 { self.low / of.high } else { 0.0 };
        Some(Range { low, high: self.high / of.low })
    }

    pub(super) fn hull(self, other: Range) -> Range {
        Range { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// One answer in intervals.
struct Seen {
    what: What,
    share: Range,
    known: Range,
}

/// Whether and how `suspect` explains `responses`.
pub(super) fn fit(
    site: &Site,
    clamp: &Clamp,
    suspect: &Suspect,
    responses: &[Response],
    elsewhere: Elsewhere,
    power_factor: Option<f64>,
) -> Option<Fit> {
    if power_factor.is_some_and(|pf| contradicts(suspect, pf)) {
        return None;
    }
    let mut found: Option<Fit> = None;
    for scale in scales(suspect) {
        for disturbance in disturbances(suspect) {
            let answer = |what| answer(site, clamp, suspect, elsewhere.truly(what), disturbance);
            let Some((scale, solar)) = tried(suspect, responses, scale, &answer) else {
                continue;
            };
            let grave = suspect.disturbed_by().is_none()
                || suspect.causes.len() > 1
                || disturbance.low >= GRAVE
                || disturbance.high <= -GRAVE;
            let fit = found.get_or_insert_with(|| Fit {
                suspect: suspect.clone(),
                scale,
                solar: Vec::new(),
                grave: false,
                apart: true,
            });
            fit.scale = fit.scale.hull(scale);
            fit.grave |= grave;
            fit.solar.push(solar);
        }
    }
    found
}

fn contradicts(suspect: &Suspect, power_factor: f64) -> bool {
    let size = power_factor.abs();
    if suspect.has(Cause::WrongPhase) { size > PF_RIGHT_ABOVE } else { size < PF_WRONG_BELOW }
}

fn scales(suspect: &Suspect) -> Vec<Range> {
    if suspect.has(Cause::Scale) { SCALES.to_vec() } else { vec![GOOD_SCALE] }
}

fn disturbances(suspect: &Suspect) -> Vec<Range> {
    if suspect.disturbed_by().is_none() {
        return vec![Range { low: 0.0, high: 0.0 }];
    }
    let cells = DISTURBANCES.windows(2).filter_map(|w| Some(Range::of(*w.first()?, *w.get(1)?)));
    cells.flat_map(|c| [c, c.scaled(-1.0)]).collect()
}

/// The scales and true solar steps with which the suspect explains all answers.
fn tried(
    suspect: &Suspect,
    responses: &[Response],
    scale: Range,
    answer: &impl Fn(What) -> Range,
) -> Option<(Range, Range)> {
    let all_solar =
        responses.iter().find(|r| r.what == What::SolarOff).map_or((0.0, f64::INFINITY), |r| r.known);
    let mut solar = Range::of(all_solar.0, all_solar.1);
    if suspect.has(Cause::Unsigned) {
        let fits = unsigned::explains(responses, scale, answer, PICKED_UP);
        return fits.then_some((scale, solar));
    }
    let seen: Vec<Seen> = responses.iter().filter_map(seen).collect();
    let answers = seen.iter().any(|s| !answer(s.what).holds(0.0));
    let mut scale = scale;
    for s in seen.iter().filter(|s| s.what != What::SolarOff && !answer(s.what).holds(0.0)) {
        scale = scale.meet(s.share.over(answer(s.what).times(s.known))?)?;
    }
    for s in &seen {
        let answer = answer(s.what);
        if answer.holds(0.0) {
            let picked_up = if suspect.has(Cause::NoReading) { NOTHING } else { PICKED_UP };
            // What is picked up is magnified by a wrong unit only where the point is seen to answer anything.
            let magnified = suspect.factor().abs() * scale.high;
            let slack = picked_up * if answers { magnified } else { magnified.min(1.0) };
            let expected = answer.times(s.known).scaled(scale.high);
            let expected = Range { low: expected.low - slack, high: expected.high + slack };
            s.share.meet(expected)?;
        } else if s.what == What::SolarOff {
            solar = solar.meet(s.share.over(answer.times(scale))?)?;
        }
    }
    Some((scale, solar))
}

fn seen(response: &Response) -> Option<Seen> {
    let (low, high) = response.bounds()?;
    let known = Range::of(response.known.0, response.known.1);
    Some(Seen { what: response.what, share: Range { low, high }, known })
}

fn is_zero(answer: Range) -> bool {
    answer.low == 0.0 && answer.high == 0.0
}

/// What the suspect moves by for each watt, but for its scale.
fn answer(site: &Site, clamp: &Clamp, suspect: &Suspect, what: Option<What>, disturbance: Range) -> Range {
    let Some(what) = what else {
        return Range { low: 0.0, high: 0.0 };
    };
    let own = suspect.answers(site, clamp, what);
    let Some(other) = suspect.disturbed_by() else {
        return own;
    };
    let added = disturbance.scaled(site.answer(other, what) * suspect.factor());
    let added = suspect.by_power_factor(what, added);
    Range { low: own.low + added.low, high: own.high + added.high }
}

/// Whether two explanations would answer some step otherwise than each other.
pub(super) fn differ(
    site: &Site,
    clamp: &Clamp,
    responses: &[Response],
    one: (&Suspect, Elsewhere),
    other: (&Suspect, Elsewhere),
) -> bool {
    let of = |(suspect, elsewhere): (&Suspect, Elsewhere), what| {
        answer(site, clamp, suspect, elsewhere.truly(what), SOME)
    };
    responses.iter().any(|r| of(one, r.what) != of(other, r.what))
}

/// Whether nothing that was switched would have shown in `suspect`.
pub(super) fn is_silent(
    site: &Site,
    clamp: &Clamp,
    responses: &[Response],
    suspect: &Suspect,
    elsewhere: Elsewhere,
) -> bool {
    responses.iter().all(|r| is_zero(answer(site, clamp, suspect, elsewhere.truly(r.what), SOME)))
}
