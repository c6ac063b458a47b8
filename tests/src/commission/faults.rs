//! The points as their faults let them see.

use overspill_rules::commission::{Cause, Clamp, Conductor, Flow, Sample, Suspect, Trace};
use overspill_rules::home::PointId;
use overspill_rules::time::{Span, WallTime};

use super::chance::Chance;
use super::flows::Flows;
use super::plan::Plan;

/// One fault of one point, with its size where it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// Of which point.
    pub point: PointId,
    /// Which.
    pub cause: Cause,
    /// The factor of a wrong scale; the share of a disturbance; else unused.
    pub size: f64,
}

/// What is wrong with a home, and what the table calls it.
#[derive(Debug, Clone)]
pub struct Injected {
    /// As the table names it.
    pub name: String,
    /// All of them.
    pub faults: Vec<Fault>,
}

fn one(point: PointId, cause: Cause, size: f64) -> Fault {
    Fault { point, cause, size }
}

/// Every fault of the list, alone. A swap is two points' fault.
pub fn singles(plan: &Plan) -> Vec<Injected> {
    let mut all = Vec::new();
    for clamp in &plan.site.clamps {
        let mut add = |name: &str, cause, size| {
            all.push(Injected {
                name: format!("{} {name}", clamp.id),
                faults: vec![one(clamp.point, cause, size)],
            });
        };
        add("reversed", Cause::Reversed, 0.0);
        for (name, size) in [
            ("reads half", 0.5),
            ("reads 1.5 times", 1.5),
            ("reads double", 2.0),
            ("reads two thirds", 2.0 / 3.0),
        ] {
            add(name, Cause::Scale, size);
        }
        add("reads nothing", Cause::NoReading, 0.0);
        add("kW read as W", Cause::KilowattsAsWatts, 0.0);
        add("W read as kW", Cause::WattsAsKilowatts, 0.0);
        if plan.site.phases == 3 {
            add("on another phase's voltage", Cause::WrongPhase, 0.0);
        }
        if clamp.both_ways {
            add("without voltage", Cause::Unsigned, 0.0);
            if clamp.own.phase.is_none_or(|p| p == 1) {
                add("behind the solar connection", Cause::Downstream, 0.0);
            }
        }
        for other in neighbours(plan, clamp) {
            add(&format!("encloses {} too", word(other)), Cause::Encloses { other, opposed: false }, 0.0);
            add(&format!("encloses {} against", word(other)), Cause::Encloses { other, opposed: true }, 0.0);
        }
        for other in measured(plan, clamp) {
            add(&format!("disturbed by {}", word(other)), Cause::Disturbed(other), 0.35);
        }
    }
    all.extend(swaps(plan));
    all
}

fn word(conductor: Conductor) -> String {
    let flow = match conductor.flow {
        Flow::Tail => "the tail",
        Flow::Solar => "solar",
        Flow::House => "the house feed",
        Flow::Battery => "the battery",
        Flow::Load(_) => "the tank",
    };
    conductor.phase.map_or(flow.to_owned(), |p| format!("{flow} L{p}"))
}

fn measured(plan: &Plan, clamp: &Clamp) -> Vec<Conductor> {
    plan.site.clamps.iter().map(|c| c.own).filter(|c| *c != clamp.own).collect()
}

fn neighbours(plan: &Plan, clamp: &Clamp) -> Vec<Conductor> {
    let mut all = measured(plan, clamp);
    // Where nothing generates, the feed of the house is the tail over again.
    if clamp.own.phase.is_none_or(|p| p == 1) {
        all.push(Conductor { flow: Flow::House, phase: clamp.own.phase });
    }
    all
}

fn swaps(plan: &Plan) -> Vec<Injected> {
    let clamps = &plan.site.clamps;
    let mut all = Vec::new();
    for (i, a) in clamps.iter().enumerate() {
        for b in &clamps[i + 1..] {
            let faults =
                vec![one(a.point, Cause::Swapped(b.own), 0.0), one(b.point, Cause::Swapped(a.own), 0.0)];
            all.push(Injected { name: format!("{} and {} swapped", a.id, b.id), faults });
        }
    }
    all
}

/// Every pair of different faults that can stand together.
pub fn pairs(plan: &Plan) -> Vec<Injected> {
    let singles = singles(plan);
    let mut all = Vec::new();
    for (i, a) in singles.iter().enumerate() {
        for b in &singles[i + 1..] {
            if a.faults.iter().all(|x| b.faults.iter().all(|y| together(x, y))) {
                let faults = a.faults.iter().chain(&b.faults).copied().collect();
                all.push(Injected { name: format!("{} + {}", a.name, b.name), faults });
            }
        }
    }
    all
}

fn is_place(cause: Cause) -> bool {
    matches!(cause, Cause::Swapped(_) | Cause::Encloses { .. } | Cause::Downstream | Cause::NoReading)
}

/// One clamp is in one place, has one scale, one unit and one disturbing neighbour.
fn together(a: &Fault, b: &Fault) -> bool {
    let unit = |c| matches!(c, Cause::KilowattsAsWatts | Cause::WattsAsKilowatts);
    let disturbed = |c| matches!(c, Cause::Disturbed(_));
    a.point != b.point
        || !(is_place(a.cause) && is_place(b.cause)
            || a.cause == b.cause
            || unit(a.cause) && unit(b.cause)
            || disturbed(a.cause) && disturbed(b.cause))
}

impl Injected {
    /// What the diagnosis should hold of a point.
    pub fn truth(&self, point: PointId) -> Suspect {
        let causes: Vec<Cause> = self.faults.iter().filter(|f| f.point == point).map(|f| f.cause).collect();
        Suspect::of(&causes)
    }
}

/// What every point reports, each second or at its own `interval_s`.
pub fn traces(plan: &Plan, flows: &Flows, injected: &Injected, seed: u64, interval_s: usize) -> Vec<Trace> {
    let of = |clamp: &Clamp| {
        let mut chance = Chance::new(seed, 100 + u64::from(clamp.point.0));
        let faults: Vec<Fault> = injected.faults.iter().filter(|f| f.point == clamp.point).copied().collect();
        // Class 1 with its meter; within what a good point may be off by.
        let class = chance.between(0.98, 1.02);
        let samples = (0..flows.seconds())
            .step_by(interval_s)
            .map(|second| Sample {
                at: WallTime(second as i64 * 1000 + 300),
                watts: reading(flows, clamp, &faults, class, second, &mut chance),
            })
            .collect();
        Trace { point: clamp.point, interval: Span::seconds(interval_s as i64), samples }
    };
    plan.site.clamps.iter().map(of).collect()
}

fn reading(
    flows: &Flows,
    clamp: &Clamp,
    faults: &[Fault],
    class: f64,
    second: usize,
    chance: &mut Chance,
) -> f64 {
    let mut watts = flows.of(clamp.own, second);
    for fault in faults.iter().filter(|f| is_place(f.cause)) {
        watts = placed(flows, clamp, fault.cause, second, watts);
    }
    let mut factor = class;
    for fault in faults {
        match fault.cause {
            Cause::Disturbed(other) => watts += fault.size * flows.of(other, second),
            Cause::Reversed => factor *= -1.0,
            Cause::Scale => factor *= fault.size,
            Cause::WrongPhase => factor *= -0.5,
            _ => {}
        }
    }
    let watts = watts * factor * (1.0 + 0.002 * chance.normal()) + 1.5 * chance.normal();
    let has = |cause| faults.iter().any(|f| f.cause == cause);
    let watts = if has(Cause::Unsigned) { watts.abs() } else { watts };
    if has(Cause::KilowattsAsWatts) {
        return watts.round() / 1000.0;
    }
    if has(Cause::WattsAsKilowatts) { watts.round() * 1000.0 } else { watts.round() }
}

fn placed(flows: &Flows, clamp: &Clamp, cause: Cause, second: usize, own: f64) -> f64 {
    match cause {
        Cause::Swapped(other) => flows.of(other, second),
        Cause::Encloses { other, opposed: false } => own + flows.of(other, second),
        Cause::Encloses { other, opposed: true } => own - flows.of(other, second),
        Cause::Downstream => flows.of(Conductor { flow: Flow::House, ..clamp.own }, second),
        Cause::NoReading => 0.0,
        _ => own,
    }
}
