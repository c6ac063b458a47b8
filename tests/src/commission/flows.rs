//! What truly flows, second by second.

use overspill_rules::commission::{Conductor, Flow, What};

use super::chance::Chance;
use super::plan::{BACK_S, Plan, RAMP_S};

/// How lively the house is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noise {
    /// A house whose people are out.
    Quiet,
    /// People, a fridge, a kettle now and then.
    Ordinary,
    /// Cooking and washing.
    Loud,
    /// As ordinary, with clouds over the roof.
    BrokenCloud,
}

impl Noise {
    /// All, in the order of the table.
    pub const ALL: [Noise; 4] = [Noise::Quiet, Noise::Ordinary, Noise::Loud, Noise::BrokenCloud];

    /// As the table names it.
    pub fn word(self) -> &'static str {
        match self {
            Noise::Quiet => "quiet",
            Noise::Ordinary => "ordinary",
            Noise::Loud => "loud",
            Noise::BrokenCloud => "broken cloud",
        }
    }

    /// Watts of jitter, chance a second of a small appliance (40 to 150 W), and of a kettle (1 to 3 kW).
    fn figures(self) -> (f64, f64, f64) {
        match self {
            Noise::Quiet => (4.0, 1.0 / 600.0, 0.0),
            Noise::Ordinary | Noise::BrokenCloud => (12.0, 1.0 / 200.0, 1.0 / 900.0),
            Noise::Loud => (70.0, 1.0 / 40.0, 1.0 / 120.0),
        }
    }
}

/// What does not heat has a power factor of 0.8: 0.75 var for each watt (computed).
const VAR_SHARE: f64 = 0.75;

/// Flows per phase in watts, for each second.
#[derive(Debug, Clone)]
pub struct Flows {
    /// House with what was switched on purpose, per phase.
    house: Vec<[f64; 3]>,
    /// Reactive power of the house, per phase.
    house_var: Vec<[f64; 3]>,
    /// The same of the roof, for each of its watts.
    solar_var_share: f64,
    solar: Vec<f64>,
    tank: Vec<f64>,
    solar_phase: usize,
    phases: u8,
    /// The volts of the day.
    pub volts: f64,
}

/// The afternoon of `plan`. The true draw of each load goes with the square of the volts, as the rating does.
pub fn flows(plan: &Plan, noise: Noise, seed: u64) -> Flows {
    let mut chance = Chance::new(seed, 1);
    let volts = chance.between(225.0, 245.0);
    let phases = plan.site.phases;
    let mut house: Vec<[f64; 3]> = vec![[0.0; 3]; plan.seconds as usize];
    let mut house_var = house.clone();
    for phase in 0..usize::from(phases) {
        let lived = living(&mut chance, noise, plan.seconds);
        for ((flows, vars), (watts, heating)) in house.iter_mut().zip(&mut house_var).zip(lived) {
            flows[phase] = watts;
            vars[phase] = VAR_SHARE * (watts - heating);
        }
    }
    let mut tank = vec![0.0; plan.seconds as usize];
    let by_volts = (volts / 230.0_f64).powi(2);
    for second in 0..plan.seconds {
        let at = second as usize;
        for (phase, watts) in house[at].iter_mut().enumerate() {
            *watts += by_volts * on_at(plan, second, |w| is_test_load(plan, w, phase));
        }
        tank[at] = by_volts * on_at(plan, second, |w| matches!(w, What::Load(_)));
        house[at][0] += tank[at];
    }
    let solar = roof(&mut chance, plan, noise);
    let solar_phase = plan.site.solar_phase.map_or(0, |p| usize::from(p) - 1);
    // Within a power factor of 0.95 either way, as inverters are set (common practice).
    let solar_var_share = Chance::new(seed, 2).between(-0.328, 0.328);
    Flows { house, house_var, solar_var_share, solar, tank, solar_phase, phases, volts }
}

/// Whether `what`, wherever it truly was, flows in the phase of this index.
fn is_test_load(plan: &Plan, what: What, index: usize) -> bool {
    match plan.truly(what) {
        Some(What::TestLoad(phase)) => usize::from(phase.unwrap_or(1)) == index + 1,
        _ => false,
    }
}

/// What is on at `second` of the things that `is` names.
fn on_at(plan: &Plan, second: i64, is: impl Fn(What) -> bool) -> f64 {
    let last = plan.truths.iter().filter(|t| is(t.what) && t.second <= second).max_by_key(|t| t.second);
    last.map_or(0.0, |t| if t.on { t.watts } else { 0.0 })
}

/// What people use: jitter that remembers itself, small appliances, kettles; all of it, and of it the kettles.
fn living(chance: &mut Chance, noise: Noise, seconds: i64) -> Vec<(f64, f64)> {
    let (jitter_w, small, kettle) = noise.figures();
    let base = chance.between(150.0, 600.0);
    let (mut wave, mut small_w, mut kettle_w, mut kettle_left) = (0.0, 0.0, 0.0, 0.0);
    let mut watts = Vec::new();
    for _ in 0..seconds {
        wave = 0.8 * wave + 0.6 * jitter_w * chance.normal();
        if chance.happens(small) {
            small_w = if small_w > 0.0 { 0.0 } else { chance.between(40.0, 150.0) };
        }
        if kettle_left <= 0.0 && chance.happens(kettle) {
            (kettle_w, kettle_left) = (chance.between(1000.0, 3000.0), chance.between(20.0, 200.0));
        }
        kettle_left -= 1.0;
        let boiling = if kettle_left > 0.0 { kettle_w } else { 0.0 };
        watts.push(((base + wave + small_w + boiling).max(5.0), boiling));
    }
    watts
}

/// The roof: switched off and on by the plan; on again after some time, slowly.
fn roof(chance: &mut Chance, plan: &Plan, noise: Noise) -> Vec<f64> {
    let clear = chance.between(1800.0, 4500.0);
    let (mut share, mut towards, mut pace, mut edge) = (1.0, 1.0, 0.02, 30.0);
    let mut watts = Vec::new();
    let mut ready = 1.0_f64;
    for second in 0..plan.seconds {
        edge -= 1.0;
        if noise == Noise::BrokenCloud && edge <= 0.0 {
            towards = if towards > 0.7 { chance.between(0.2, 0.6) } else { chance.between(0.85, 1.0) };
            (pace, edge) = (chance.between(0.01, 0.06), chance.between(15.0, 120.0));
        }
        share += f64::clamp(towards - share, -pace, pace);
        let last = plan
            .truths
            .iter()
            .filter(|t| t.what == What::SolarOff && t.second <= second)
            .max_by_key(|t| t.second);
        ready = match last {
            Some(t) if !t.on => 0.0,
            Some(t) if second < t.second + BACK_S => 0.0,
            _ => (ready + 1.0 / RAMP_S as f64).min(1.0),
        };
        watts.push(clear * share * ready * (1.0 + 0.003 * chance.normal()));
    }
    watts
}

impl Flows {
    /// What truly comes off the roof.
    pub fn solar_w(&self, second: i64) -> f64 {
        self.solar[second as usize]
    }

    /// Seconds of the afternoon.
    pub fn seconds(&self) -> usize {
        self.solar.len()
    }

    /// What flows in a conductor, in watts; power into the house is positive.
    pub fn of(&self, conductor: Conductor, second: usize) -> f64 {
        match conductor.phase {
            Some(phase) => self.of_phase(conductor.flow, usize::from(phase) - 1, second),
            None => {
                (0..usize::from(self.phases)).map(|phase| self.of_phase(conductor.flow, phase, second)).sum()
            }
        }
    }

    /// The reactive power that flows with it, in var.
    pub fn var_of(&self, conductor: Conductor, second: usize) -> f64 {
        let solar = |phase| {
            if phase == self.solar_phase { self.solar_var_share * self.solar[second] } else { 0.0 }
        };
        let phases = match conductor.phase {
            Some(phase) => usize::from(phase) - 1..usize::from(phase),
            None => 0..usize::from(self.phases),
        };
        phases
            .map(|phase| match conductor.flow {
                Flow::Tail => self.house_var[second][phase] - solar(phase),
                Flow::House => self.house_var[second][phase],
                Flow::Solar => solar(phase),
                Flow::Load(_) | Flow::Battery => 0.0,
            })
            .sum()
    }

    fn of_phase(&self, flow: Flow, phase: usize, second: usize) -> f64 {
        let solar = if phase == self.solar_phase { self.solar[second] } else { 0.0 };
        match flow {
            Flow::Tail => self.house[second][phase] - solar,
            Flow::House => self.house[second][phase],
            Flow::Solar => solar,
            Flow::Load(_) if phase == 0 => self.tank[second],
            Flow::Load(_) | Flow::Battery => 0.0,
        }
    }
}
