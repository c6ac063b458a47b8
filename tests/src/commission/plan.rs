//! The homes and what the installer switches in them.

use overspill_rules::commission::procedure::Often;
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
    /// When the installer was told to, and by when it was surely done, in seconds.
    pub said: (i64, i64),
    /// What the load truly draws; for the solar source nothing is stated.
    pub watts: f64,
}

/// One thing that is switched again and again.
#[derive(Debug, Clone)]
pub struct Block {
    /// What.
    pub what: What,
    /// How often.
    pub often: Often,
    /// When its first switching is asked for, in seconds, if all before it are made.
    begins: i64,
    /// All switchings, as many as there are at most.
    turns: Vec<Turn>,
}

/// One switching, with the one that undoes it where only one of them counts.
#[derive(Debug, Clone)]
struct Turn {
    truths: Vec<Truth>,
    /// From when on the points have answered it.
    answered: i64,
}

impl Truth {
    fn sooner(&self, seconds: i64) -> Truth {
        let (from, by) = self.said;
        Truth { second: self.second - seconds, said: (from - seconds, by - seconds), ..*self }
    }
}

impl Block {
    /// From which second on the points have answered so many switchings.
    fn answered(&self, count: usize) -> i64 {
        count.checked_sub(1).map_or(self.begins, |last| self.turns[last].answered)
    }

    /// How many seconds are spared when it is only switched so often.
    fn spared(&self, count: usize) -> i64 {
        self.answered(self.turns.len()) - self.answered(count)
    }
}

/// A home, what was switched in it, and how long the afternoon was.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The home.
    pub site: Site,
    /// What is switched, one after the other.
    pub blocks: Vec<Block>,
    /// What was switched.
    pub truths: Vec<Truth>,
    /// How long the afternoon was.
    pub seconds: i64,
    /// When the points are judged, in seconds.
    pub judged: i64,
    /// For each phase that the installer said, the phase on which the test load was; 0 where it drew nothing.
    pub test_load: [u8; 3],
    /// Seconds between two readings of a point.
    pub interval_s: usize,
    /// When the inverter's display is read.
    pub display: Display,
}

/// When the inverter's display is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Display {
    /// Before every switching off.
    EachTime,
    /// Once, before the first.
    Once,
    /// There is none.
    Missing,
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

/// Seconds that an inverter takes to come back, and to ramp up.
pub const BACK_S: i64 = 120;
/// As [`BACK_S`].
pub const RAMP_S: i64 = 30;

/// More than enough: the test load on and off four times (on each phase), the tank likewise, and the solar source off five
/// times, whatever the points answer.
pub fn generous(site: Site, seed: u64) -> Plan {
    let mut laid = Laid::new(site, seed, 600);
    for what in laid.test_loads().into_iter().chain(laid.tanks()) {
        let begins = laid.second;
        let turns = (0..8).map(|i| laid.turn(what, i % 2 == 0, 0, 36)).collect();
        laid.put(what, Often { least: 8, most: 8 }, begins, turns);
        laid.second += 15;
    }
    let off = |laid: &mut Laid| {
        let mut turn = laid.turn(What::SolarOff, false, 0, 60);
        let on = laid.turn(What::SolarOff, true, 0, 180);
        turn.truths.extend(on.truths);
        Turn { answered: on.answered, ..turn }
    };
    let begins = laid.second;
    let turns = (0..5).map(|_| off(&mut laid)).collect();
    laid.put(What::SolarOff, Often { least: 5, most: 5 }, begins, turns);
    laid.plan(1, Display::EachTime)
}

/// As the procedure asks for it: no more often than it takes until every point has answered clearly, with windows as long
/// as the points' interval wants them, hands that take some seconds, and before them the minutes that its first steps say.
pub fn procedure(site: Site, seed: u64, interval_s: usize, display: Display) -> Plan {
    let window = (9 * interval_s as i64).max(20);
    let mut laid = Laid::new(site, seed, 480);
    for what in laid.test_loads() {
        laid.procedure(what, window + 30, |laid, i| laid.by_hand(what, i % 2 == 0, window));
    }
    laid.procedure(What::SolarOff, window + 30, |laid, _| {
        let mut turn = laid.by_hand(What::SolarOff, false, window);
        let on = laid.by_hand(What::SolarOff, true, BACK_S + RAMP_S + 30 + window);
        turn.truths.extend(on.truths);
        Turn { answered: on.answered, ..turn }
    });
    for what in laid.tanks() {
        // The command is seen to be followed at the next reading.
        let seen = interval_s as i64 + 6;
        laid.procedure(what, window + 30, |laid, i| laid.turn(what, i % 2 == 0, seen, seen + window + 6));
    }
    laid.plan(interval_s, display)
}

/// A plan being laid out.
struct Laid {
    site: Site,
    blocks: Vec<Block>,
    heater: f64,
    tank: f64,
    second: i64,
    hands: Chance,
}

impl Laid {
    fn new(site: Site, seed: u64, watched_s: i64) -> Laid {
        let mut chance = Chance::new(seed, 7);
        // Ratings of heaters hold to -10 and +5 % (IEC 60335-1, from memory).
        let heater = HEATER_W * chance.between(0.91, 1.04);
        let tank = TANK_W * chance.between(0.91, 1.04);
        Laid { site, blocks: Vec::new(), heater, tank, second: watched_s, hands: Chance::new(seed, 9) }
    }

    fn test_loads(&self) -> Vec<What> {
        let phases = if self.site.phases == 3 { (1..=3).map(Some).collect() } else { vec![None] };
        phases.into_iter().map(What::TestLoad).collect()
    }

    fn tanks(&self) -> Vec<What> {
        self.site.consumers.iter().map(|c| What::Load(c.load)).collect()
    }

    /// A switching now, surely done `within` seconds; the next comes `later`.
    fn turn(&mut self, what: What, on: bool, within: i64, later: i64) -> Turn {
        let watts = match what {
            What::TestLoad(_) => self.heater,
            What::Load(_) => self.tank,
            What::SolarOff => 0.0,
        };
        let second = self.second;
        self.second += later;
        let settle = if matches!(what, What::Load(_)) { 6 } else { 4 };
        let said = (second - within.min(2), second + within.max(settle));
        Turn { truths: vec![Truth { what, on, second, said, watts }], answered: self.second }
    }

    /// A switching by a hand that takes some seconds, and a window after it.
    fn by_hand(&mut self, what: What, on: bool, window: i64) -> Turn {
        let told = self.second;
        let took = self.hands.between(2.0, 9.0) as i64;
        self.second += self.hands.between(1.0, took as f64) as i64;
        let mut turn = self.turn(what, on, 0, 0);
        self.second = told + took + 5 + window + 1;
        turn.answered = self.second;
        turn.truths.iter_mut().for_each(|t| t.said = (told, told + took + 5));
        turn
    }

    fn put(&mut self, what: What, often: Often, begins: i64, turns: Vec<Turn>) {
        self.blocks.push(Block { what, often, begins, turns });
    }

    /// A block as the procedure asks for it, after so many seconds.
    fn procedure(&mut self, what: What, after: i64, mut turn: impl FnMut(&mut Laid, usize) -> Turn) {
        let often = Often::of(what);
        self.second += after;
        let begins = self.second;
        let turns = (0..often.most).map(|i| turn(self, i)).collect();
        self.put(what, often, begins, turns);
    }

    fn plan(self, interval_s: usize, display: Display) -> Plan {
        let whole: Vec<usize> = self.blocks.iter().map(|b| b.often.most).collect();
        let plan = Plan {
            site: self.site,
            blocks: self.blocks,
            truths: Vec::new(),
            seconds: self.second,
            judged: self.second,
            test_load: AS_SAID,
            interval_s,
            display,
        };
        plan.cut(&whole)
    }
}

impl Plan {
    /// The same afternoon with only so many switchings of each block: what comes after them comes the sooner.
    pub fn cut(&self, counts: &[usize]) -> Plan {
        let mut sooner = 0;
        let mut truths = Vec::new();
        for (block, count) in self.blocks.iter().zip(counts) {
            let turns = block.turns.iter().take(*count);
            truths.extend(turns.flat_map(|t| &t.truths).map(|t| t.sooner(sooner)));
            sooner += block.spared(*count);
        }
        Plan { truths, judged: self.seconds - sooner, ..self.clone() }
    }

    /// From which second on the points have answered the last of so many switchings of each block.
    pub fn answered(&self, counts: &[usize]) -> i64 {
        let before = counts.len() - 1;
        let sooner: i64 = self.blocks.iter().zip(&counts[..before]).map(|(b, n)| b.spared(*n)).sum();
        self.blocks[before].answered(counts[before]) - sooner
    }

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
        let factor = chance.between(0.96, 1.04);
        let shown = |second: i64| (solar_w(second - 4) * factor / 10.0).round().max(1.0) * 10.0;
        let first = self.truths.iter().find(|t| t.what == What::SolarOff).map_or(4, |t| t.second);
        let act = |t: &Truth| {
            let amount = match (t.what, self.display) {
                (What::TestLoad(_), _) => Amount::resistive(HEATER_W, RATED_V, volts),
                (What::Load(_), _) => Amount::resistive(TANK_W, RATED_V, volts),
                (What::SolarOff, Display::EachTime) => Amount::read(shown(t.second), 0.1),
                (What::SolarOff, Display::Once) => Amount::read(shown(first), 0.1),
                (What::SolarOff, Display::Missing) => Amount::unknown(solar_w(first - 4).max(1.0)),
            };
            let (from, by) = t.said;
            Act {
                what: t.what,
                on: t.on,
                at: WallTime(from * 1000),
                settle: Span::seconds(by - from),
                amount,
            }
        };
        self.truths.iter().map(act).collect()
    }
}
