//! The homes and what the installer switches in them.

use overspill_rules::commission::{Act, Amount, Clamp, Conductor, Consumer, Flow, Site, What};
use overspill_rules::home::{LoadId, PointId};
use overspill_rules::time::{Span, WallTime};

use super::chance::Chance;

/// What the test load is rated at, and the volts at which.
pub const HEATER_W: f64 = 2400.0;
const RATED_V: f64 = 230.0;

/// The controlled load: an immersion heater.
pub const TANK_W: f64 = 3000.0;
/// Its place among the loads.
pub const TANK: LoadId = LoadId(0);

/// One switching as it truly was.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    /// What.
    pub what: What,
    /// On or off.
    pub on: bool,
    /// When, in seconds.
    pub second: i64,
    /// What the load truly draws; for the solar source nothing is stated.
    pub watts: f64,
}

/// A home, what was switched in it, and how long the afternoon was.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The home.
    pub site: Site,
    /// What was switched.
    pub truths: Vec<Truth>,
    /// How long the afternoon was.
    pub seconds: i64,
    /// For each phase that the installer said, the phase on which the test load was; 0 where it drew nothing.
    pub test_load: [u8; 3],
}

/// The test load where it was said to be.
pub const AS_SAID: [u8; 3] = [1, 2, 3];

fn clamp(index: u16, id: &str, flow: Flow, phase: Option<u8>) -> Clamp {
    let own = Conductor { flow, phase };
    Clamp {
        point: PointId(index),
        id: id.to_owned(),
        own,
        both_ways: flow == Flow::Tail && phase.is_none_or(|p| p == 1),
    }
}

/// A home with one phase: tail, roof and the tank's own meter.
pub fn one_phase() -> Site {
    let clamps = vec![
        clamp(0, "grid", Flow::Tail, None),
        clamp(1, "solar", Flow::Solar, None),
        clamp(2, "tank", Flow::Load(TANK), None),
    ];
    let consumers = vec![Consumer { load: TANK, phase: None, counted: true }];
    Site { phases: 1, solar: true, solar_phase: None, clamps, consumers }
}

/// A home with three: a clamp on each tail, the roof on L1.
pub fn three_phases() -> Site {
    let clamps = vec![
        clamp(0, "grid-l1", Flow::Tail, Some(1)),
        clamp(1, "grid-l2", Flow::Tail, Some(2)),
        clamp(2, "grid-l3", Flow::Tail, Some(3)),
        clamp(3, "solar", Flow::Solar, Some(1)),
    ];
    Site { phases: 3, solar: true, solar_phase: Some(1), clamps, consumers: Vec::new() }
}

/// The procedure: the test load on and off four times (on each phase), the tank likewise, and the solar source
/// off five times.
pub fn plan(site: Site, seed: u64) -> Plan {
    let mut chance = Chance::new(seed, 7);
    // Ratings of heaters hold to -10 and +5 % (IEC 60335-1, from memory).
    let heater = HEATER_W * chance.between(0.91, 1.04);
    let tank = TANK_W * chance.between(0.91, 1.04);
    let mut truths = Vec::new();
    // Watching before touching.
    let mut second = 600;
    let phases: Vec<Option<u8>> = if site.phases == 3 { (1..=3).map(Some).collect() } else { vec![None] };
    for phase in phases {
        second = on_and_off(&mut truths, What::TestLoad(phase), heater, second, 4);
    }
    for consumer in &site.consumers {
        second = on_and_off(&mut truths, What::Load(consumer.load), tank, second, 4);
    }
    for _ in 0..5 {
        truths.push(Truth { what: What::SolarOff, on: false, second, watts: 0.0 });
        truths.push(Truth { what: What::SolarOff, on: true, second: second + 60, watts: 0.0 });
        second += 240;
    }
    Plan { site, truths, seconds: second, test_load: AS_SAID }
}

fn on_and_off(truths: &mut Vec<Truth>, what: What, watts: f64, from: i64, times: i64) -> i64 {
    for i in 0..times * 2 {
        truths.push(Truth { what, on: i % 2 == 0, second: from + 36 * i, watts });
    }
    from + 36 * times * 2 + 15
}

impl Plan {
    /// What was truly switched where `what` was said; `None` for nothing.
    pub fn truly(&self, what: What) -> Option<What> {
        let What::TestLoad(said) = what else {
            return Some(what);
        };
        match self.test_load[usize::from(said.unwrap_or(1)) - 1] {
            0 => None,
            truly => Some(What::TestLoad(said.map(|_| truly))),
        }
    }

    /// What the installer writes down: the rating at the volts of the day, and what the inverter's display said last,
    /// good to 5 % and rounded to 10 W. `solar_w` tells what truly came off the roof at a second.
    pub fn written(&self, seed: u64, volts: f64, solar_w: impl Fn(i64) -> f64) -> Vec<Act> {
        let mut chance = Chance::new(seed, 8);
        let display = chance.between(0.96, 1.04);
        let act = |t: &Truth| {
            let amount = match t.what {
                What::TestLoad(_) => Amount::resistive(HEATER_W, RATED_V, volts),
                What::Load(_) => Amount::resistive(TANK_W, RATED_V, volts),
                What::SolarOff => {
                    Amount::read((solar_w(t.second - 4) * display / 10.0).round().max(1.0) * 10.0, 0.1)
                }
            };
            let settle = if matches!(t.what, What::Load(_)) { 6 } else { 4 };
            Act {
                what: t.what,
                on: t.on,
                at: WallTime(t.second * 1000),
                settle: Span::seconds(settle),
                amount,
            }
        };
        self.truths.iter().map(act).collect()
    }
}
