//! The suspects: what each point could be, none, one or two causes at a time, and what each would answer.

use super::cause::Cause;
use super::fit::Range;
use super::site::{Clamp, Conductor, Flow, Site};
use super::step::What;

/// What may be wrong with one point: no cause, one, or two together.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Suspect {
    /// The causes; none means that the point is good.
    pub causes: Vec<Cause>,
}

/// What an open jaw, or one with both conductors inside, may still read, as a share; and what of it is worth a mention.
pub(super) const NOTHING: f64 = 0.02;
const LEAST_LEAK: f64 = 0.004;

/// On another phase's voltage a resistive load reads cos 120 degrees of the truth (computed).
const WRONG_PHASE: f64 = -0.5;

/// The same for what is no heater, from the leading to the lagging phase: cos(120 degrees + phi) / cos phi. Inverters hold
/// a power factor of 0.95 either way (common practice), motors one of 0.8: -0.7847 to -0.2153, -1.1495 to +0.1495
/// (computed).
const WRONG_PHASE_OF_A_ROOF: Range = Range { low: -0.785, high: -0.215 };
const WRONG_PHASE_OF_A_LOAD: Range = Range { low: -1.15, high: 0.15 };

impl Suspect {
    /// Nothing is wrong.
    pub fn good() -> Suspect {
        Suspect { causes: Vec::new() }
    }

    /// One or two causes.
    pub fn of(causes: &[Cause]) -> Suspect {
        let mut causes = causes.to_vec();
        causes.sort_unstable();
        Suspect { causes }
    }

    /// The same, where the test load was on another phase than said.
    pub(super) fn with_test_load_elsewhere(&self) -> Suspect {
        let mut causes = self.causes.clone();
        causes.push(Cause::TestLoadElsewhere);
        Suspect { causes }
    }

    /// Whether nothing is wrong with the point itself.
    pub fn is_good(&self) -> bool {
        self.causes.is_empty()
    }

    pub(super) fn has(&self, cause: Cause) -> bool {
        self.causes.contains(&cause)
    }

    pub(super) fn disturbed_by(&self) -> Option<Conductor> {
        self.causes.iter().find_map(|c| match c {
            Cause::Disturbed(other) => Some(*other),
            _ => None,
        })
    }

    /// What the point would move by for each watt of `what`, but for scale and disturbance.
    pub fn answer(&self, site: &Site, clamp: &Clamp, what: What) -> f64 {
        self.factor() * self.enclosed(site, clamp, what)
    }

    /// The same, as wide as the power factor of what is switched makes it.
    pub(super) fn answers(&self, site: &Site, clamp: &Clamp, what: What) -> Range {
        if self.has(Cause::NoReading) {
            return self.leak().scaled(self.factor() * site.answer(clamp.own, what));
        }
        let nominal = self.answer(site, clamp, what);
        self.by_power_factor(what, Range { low: nominal, high: nominal })
    }

    /// An answer worked with the power factor of a heater, as wide as that of `what` makes it.
    pub(super) fn by_power_factor(&self, what: What, answer: Range) -> Range {
        let range = match what {
            What::TestLoad(_) => return answer,
            What::SolarOff => WRONG_PHASE_OF_A_ROOF,
            What::Load(_) => WRONG_PHASE_OF_A_LOAD,
        };
        if self.has(Cause::WrongPhase) { range.times(answer.scaled(1.0 / WRONG_PHASE)) } else { answer }
    }

    /// What an open jaw lets through. It is seen at all only where something magnifies it.
    fn leak(&self) -> Range {
        let magnified = self.has(Cause::Scale) || self.has(Cause::WattsAsKilowatts);
        Range { low: if magnified { LEAST_LEAK } else { -NOTHING }, high: NOTHING }
    }

    /// Sign, unit and phase.
    pub(super) fn factor(&self) -> f64 {
        let one = |cause, factor| if self.has(cause) { factor } else { 1.0 };
        one(Cause::Reversed, -1.0)
            * one(Cause::WrongPhase, WRONG_PHASE)
            * one(Cause::KilowattsAsWatts, 0.001)
            * one(Cause::WattsAsKilowatts, 1000.0)
    }

    /// What runs through the jaw for each watt of `what`.
    fn enclosed(&self, site: &Site, clamp: &Clamp, what: What) -> f64 {
        let own = site.answer(clamp.own, what);
        for cause in &self.causes {
            match *cause {
                Cause::Swapped(other) => return site.answer(other, what),
                Cause::Downstream => {
                    return site.answer(Conductor { flow: Flow::House, ..clamp.own }, what);
                }
                Cause::Encloses { other, opposed } => {
                    let sign = if opposed { -1.0 } else { 1.0 };
                    return own + sign * site.answer(other, what);
                }
                Cause::NoReading => return 0.0,
                _ => {}
            }
        }
        own
    }
}

/// All suspects of `clamp`, good first, then the single causes, then pairs.
pub fn suspects(site: &Site, clamp: &Clamp) -> Vec<Suspect> {
    let places = places(site, clamp);
    let others = others(site, clamp);
    let marks = marks(site, clamp, &others);
    let mut all = vec![Suspect::good()];
    all.extend(places.iter().chain(&marks).map(|c| Suspect::of(&[*c])));
    for (i, mark) in marks.iter().enumerate() {
        let beside = marks.iter().skip(i + 1).filter(|m| !excludes(*mark, **m));
        all.extend(beside.map(|m| Suspect::of(&[*mark, *m])));
        let on = places.iter().filter(|p| **p != Cause::NoReading || is_seen_in_nothing(*mark));
        all.extend(on.map(|p| Suspect::of(&[*p, *mark])));
    }
    all.sort_by_key(|s| s.causes.len());
    all
}

/// Conductors that another point of the home should measure, and the house's feed. Where nothing generates that is the
/// tail over again: twice through the jaw, or there and back.
fn others(site: &Site, clamp: &Clamp) -> Vec<Conductor> {
    let mut all: Vec<Conductor> = site.clamps.iter().map(|c| c.own).collect();
    let house = Conductor { flow: Flow::House, phase: clamp.own.phase };
    if !is_alike(site, clamp.own, house) {
        all.push(house);
    }
    all.retain(|c| *c != clamp.own);
    all.sort_unstable();
    all.dedup();
    all
}

/// What the jaw could enclose.
fn places(site: &Site, clamp: &Clamp) -> Vec<Cause> {
    let mut places = vec![Cause::NoReading];
    let measured = site.clamps.iter().map(|c| c.own).filter(|c| *c != clamp.own);
    places.extend(measured.map(Cause::Swapped));
    for other in others(site, clamp) {
        places.extend([false, true].map(|opposed| Cause::Encloses { other, opposed }));
    }
    let house = Conductor { flow: Flow::House, ..clamp.own };
    if clamp.own.flow == Flow::Tail && !is_alike(site, clamp.own, house) {
        places.push(Cause::Downstream);
    }
    places
}

/// What can be wrong wherever the clamp sits.
fn marks(site: &Site, clamp: &Clamp, others: &[Conductor]) -> Vec<Cause> {
    let mut marks = vec![Cause::Reversed, Cause::Scale, Cause::KilowattsAsWatts, Cause::WattsAsKilowatts];
    marks.extend(others.iter().copied().map(Cause::Disturbed));
    if site.phases == 3 && clamp.own.phase.is_some() {
        marks.push(Cause::WrongPhase);
    }
    if clamp.both_ways {
        marks.push(Cause::Unsigned);
    }
    marks
}

/// Whether a point that reads about nothing reads something with this.
fn is_seen_in_nothing(mark: Cause) -> bool {
    matches!(mark, Cause::Disturbed(_) | Cause::Scale | Cause::WattsAsKilowatts)
}

fn excludes(one: Cause, other: Cause) -> bool {
    matches!((one, other), (Cause::Disturbed(_), Cause::Disturbed(_)))
        || matches!((one, other), (Cause::KilowattsAsWatts, Cause::WattsAsKilowatts))
}

/// Whether the same flows in both whatever is switched: on a phase without a roof, the tail is the feed of the house.
fn is_alike(site: &Site, one: Conductor, other: Conductor) -> bool {
    let tests = [None, Some(1), Some(2), Some(3)].map(What::TestLoad);
    let loads = site.consumers.iter().map(|c| What::Load(c.load));
    let mut steps = tests.into_iter().chain([What::SolarOff]).chain(loads);
    steps.all(|what| (site.answer(one, what) - site.answer(other, what)).abs() < f64::EPSILON)
}
