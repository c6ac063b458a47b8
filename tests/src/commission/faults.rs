//! The points as their faults let them see.

use overspill_rules::commission::{Cause, Clamp, Conductor, Flow, Sample, Suspect, Trace, What};
use overspill_rules::home::PointId;
use overspill_rules::time::{Span, WallTime};

use super::chance::Chance;
use super::flows::Flows;
use super::plan::{AS_SAID, Plan};

/// One fault of one point, with its size where it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// Of which point.
    pub point: PointId,
    /// Which.
    pub cause: Cause,
    /// The factor of a wrong scale; the share of a disturbance; what an open jaw still reads, as a share; +1 or -1 for the
    /// voltage of the phase behind or before; else unused.
    pub size: f64,
}

/// What is wrong with a home, and what the table calls it.
#[derive(Debug, Clone)]
pub struct Injected {
    /// As the table names it.
    pub name: String,
    /// All of them.
    pub faults: Vec<Fault>,
    /// Where the test load was, as [`Plan::test_load`].
    pub test_load: [u8; 3],
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
                test_load: AS_SAID,
            });
        };
        add("reversed", Cause::Reversed, 0.0);
        for (name, size) in [
            ("reads half (ratio)", 0.5),
            ("reads 1.5 times (burden)", 1.5),
            ("reads double (two turns)", 2.0),
            ("reads two thirds (burden)", 2.0 / 3.0),
            ("reads a tenth (ratio)", 0.1),
        ] {
            add(name, Cause::Scale, size);
        }
        add("jaw open", Cause::NoReading, 0.015);
        add("jaw round both conductors", Cause::NoReading, 0.0);
        add("kW read as W", Cause::KilowattsAsWatts, 0.0);
        add("W read as kW", Cause::WattsAsKilowatts, 0.0);
        if plan.site.phases == 3 {
            add("on the voltage of the phase behind", Cause::WrongPhase, 1.0);
            add("on the voltage of the phase before", Cause::WrongPhase, -1.0);
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
    all.extend(elsewhere(plan));
    all
}

/// The test load on another phase than said, or not drawing: right points answer as if they were wrong.
fn elsewhere(plan: &Plan) -> Vec<Injected> {
    let mut places = vec![("test load draws nothing", [0; 3])];
    if plan.site.phases == 3 {
        places.extend([
            ("test load said to be on L1, is on L2", [2, 2, 3]),
            ("test load said to be on L2, is on L1", [1, 1, 3]),
            ("test load said to be on L2, is on L3", [1, 3, 3]),
            ("test load draws nothing on L1", [0, 2, 3]),
            ("test load draws nothing on L3", [1, 2, 0]),
            ("test load exchanged between L1 and L2", [2, 1, 3]),
            ("test load exchanged between L2 and L3", [1, 3, 2]),
            ("test load one phase on each time", [2, 3, 1]),
        ]);
    }
    let named = |(name, test_load): (&str, [u8; 3])| Injected {
        name: name.to_owned(),
        faults: Vec::new(),
        test_load,
    };
    places.into_iter().map(named).collect()
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
            let name = format!("{} and {} swapped", a.id, b.id);
            all.push(Injected { name, faults, test_load: AS_SAID });
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
            let moved = |i: &Injected| i.test_load != AS_SAID;
            let stand = a.faults.iter().all(|x| b.faults.iter().all(|y| together(x, y)));
            if stand && !(moved(a) && moved(b)) {
                let faults = a.faults.iter().chain(&b.faults).copied().collect();
                let test_load = if moved(a) { a.test_load } else { b.test_load };
                all.push(Injected { name: format!("{} + {}", a.name, b.name), faults, test_load });
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
    /// Nothing is wrong.
    pub fn nothing() -> Injected {
        Injected { name: "nothing".to_owned(), faults: Vec::new(), test_load: AS_SAID }
    }

    /// The faults of one point.
    pub fn of(&self, point: PointId) -> Vec<Fault> {
        self.faults.iter().filter(|f| f.point == point).copied().collect()
    }

    /// What the diagnosis should hold of a clamp. `plan` is that of these faults.
    pub fn truth(&self, plan: &Plan, clamp: &Clamp) -> Suspect {
        let mut causes: Vec<Cause> = self.of(clamp.point).iter().map(|f| f.cause).collect();
        let here = Suspect::of(&causes);
        let answer = |what: Option<What>| what.map_or(0.0, |w| here.answer(&plan.site, clamp, w));
        let disturbing = |what: Option<What>| {
            let other = causes.iter().find_map(|c| if let Cause::Disturbed(o) = c { Some(*o) } else { None });
            other.zip(what).map_or(0.0, |(o, w)| plan.site.answer(o, w))
        };
        let said: Vec<What> = plan.truths.iter().map(|t| t.what).collect();
        let shows = |what: &What| {
            let truly = plan.truly(*what);
            answer(truly) != answer(Some(*what)) || disturbing(truly) != disturbing(Some(*what))
        };
        if said.iter().any(shows) {
            causes.push(Cause::TestLoadElsewhere);
        }
        Suspect::of(&causes)
    }
}

/// What a point with `faults` reports at its own `interval_s`, until before `until` in seconds. The points don't report at
/// the same second.
pub fn trace(
    clamp: &Clamp,
    flows: &Flows,
    faults: &[Fault],
    seed: u64,
    (interval_s, until): (usize, usize),
) -> Trace {
    let mut chance = Chance::new(seed, 100 + u64::from(clamp.point.0));
    // Class 1 with its meter; within what a good point may be off by.
    let class = chance.between(0.98, 1.02);
    let samples = (3 * usize::from(clamp.point.0) % interval_s..flows.seconds().min(until))
        .step_by(interval_s)
        .map(|second| Sample {
            at: WallTime(second as i64 * 1000 + 300),
            watts: reading(flows, clamp, faults, class, second, &mut chance),
        })
        .collect();
    Trace { point: clamp.point, interval: Span::seconds(interval_s as i64), samples }
}

/// Watts and var.
type Power = (f64, f64);

fn power(flows: &Flows, conductor: Conductor, second: usize) -> Power {
    (flows.of(conductor, second), flows.var_of(conductor, second))
}

fn plus(one: Power, share: f64, other: Power) -> Power {
    (one.0 + share * other.0, one.1 + share * other.1)
}

/// What is read against a voltage 120 degrees away: cos 120 degrees of the watts, and sin 120 degrees of the var, added for
/// the phase behind (computed).
fn on_another_phase((watts, var): Power, side: f64) -> f64 {
    -0.5 * watts + side * 0.75_f64.sqrt() * var
}

fn reading(
    flows: &Flows,
    clamp: &Clamp,
    faults: &[Fault],
    class: f64,
    second: usize,
    chance: &mut Chance,
) -> f64 {
    let mut enclosed = power(flows, clamp.own, second);
    for fault in faults.iter().filter(|f| is_place(f.cause)) {
        enclosed = placed(flows, clamp, fault, second, enclosed);
    }
    let mut factor = class;
    for fault in faults {
        match fault.cause {
            Cause::Disturbed(other) => enclosed = plus(enclosed, fault.size, power(flows, other, second)),
            Cause::Reversed => factor *= -1.0,
            Cause::Scale => factor *= fault.size,
            _ => {}
        }
    }
    let wrong_phase = faults.iter().find(|f| f.cause == Cause::WrongPhase);
    let watts = wrong_phase.map_or(enclosed.0, |f| on_another_phase(enclosed, f.size));
    let watts = watts * factor * (1.0 + 0.002 * chance.normal()) + 1.5 * chance.normal();
    let has = |cause| faults.iter().any(|f| f.cause == cause);
    let watts = if has(Cause::Unsigned) { watts.abs() } else { watts };
    if has(Cause::KilowattsAsWatts) {
        return watts.round() / 1000.0;
    }
    if has(Cause::WattsAsKilowatts) { watts.round() * 1000.0 } else { watts.round() }
}

fn placed(flows: &Flows, clamp: &Clamp, fault: &Fault, second: usize, own: Power) -> Power {
    match fault.cause {
        Cause::Swapped(other) => power(flows, other, second),
        Cause::Encloses { other, opposed } => {
            plus(own, if opposed { -1.0 } else { 1.0 }, power(flows, other, second))
        }
        Cause::Downstream => power(flows, Conductor { flow: Flow::House, ..clamp.own }, second),
        Cause::NoReading => (fault.size * own.0, fault.size * own.1),
        _ => own,
    }
}

#[cfg(test)]
mod tests {
    use super::on_another_phase;

    #[test]
    fn a_wrong_phase_reads_what_trigonometry_says() {
        // cos(36.87 + 120) / cos 36.87 and cos(36.87 - 120) / cos 36.87 degrees (computed).
        assert!((on_another_phase((1.0, 0.0), 1.0) + 0.5).abs() < 1e-9);
        assert!((on_another_phase((1.0, 0.75), -1.0) + 1.1495).abs() < 1e-4);
        assert!((on_another_phase((1.0, 0.75), 1.0) - 0.1495).abs() < 1e-4);
    }
}
