//! A controlled load commanded on and off, by an override to the daemon, so that every bound holds.

use crate::home::{Kind, LoadId, PointId};
use crate::time::{Span, WallTime};

use super::super::{Act, Amount, Flow, Site, Unusable, What};
use super::machine::{Machine, Move, Order, Want};
use super::often::Often;
use super::question::{Answer, Question};
use super::result::Made;
use super::world::World;

/// An override for a step ends by itself after this, whatever becomes of this program.
pub(super) const HELD: Span = Span::minutes(30);

/// How long the daemon may take: its bounds (least times on and off, starts one after the other) hold for overrides too.
const DAEMON: Span = Span::minutes(12);

/// A charge point may wait this long by itself before it begins (UK Electric Vehicles (Smart Charge Points) Regulations
/// 2021, schedule 1: a random delay, 600 s by default): that is no disobedience.
const RANDOM_DELAY: Span = Span::seconds(600);

/// A device follows within this and what its home file says.
const FOLLOWS: Span = Span::seconds(20);

/// Less than this share of what was set is no draw.
const DRAWS: f64 = 0.3;

/// A daemon that was just started is heard within this.
pub(super) const COMES_UP: Span = Span::seconds(45);

enum Stage {
    Begin,
    Started(WallTime),
    Quiet(WallTime),
    /// Ordered; the daemon has not set it yet.
    Ordered(WallTime),
    /// The daemon set it then; the device has not followed yet.
    Set(WallTime, WallTime),
    /// It followed.
    After(WallTime),
    Over,
}

/// One load commanded on and off.
pub(super) struct Commanded {
    load: LoadId,
    key: String,
    stage: Stage,
    on: bool,
    edges: usize,
    prompted: bool,
    asking: bool,
    ordered: bool,
    setpoint_w: f64,
    drew_w: Vec<f64>,
    rested_w: Vec<f64>,
    slowest: Span,
    trouble: Option<Made>,
    /// Until when the daemon is waited for.
    patient: Option<WallTime>,
}

impl Commanded {
    pub(super) fn new(load: LoadId, key: &str) -> Commanded {
        Commanded {
            load,
            key: key.to_owned(),
            stage: Stage::Begin,
            on: false,
            edges: 0,
            prompted: false,
            asking: false,
            ordered: false,
            setpoint_w: 0.0,
            drew_w: Vec::new(),
            rested_w: Vec::new(),
            slowest: Span::ZERO,
            trouble: None,
            patient: None,
        }
    }

    fn order(&mut self, want: Want) -> Move {
        self.ordered = want != Want::Auto;
        Move::Order(Order { load: self.load, want, lasts: HELD })
    }

    fn fail(&mut self, world: &mut World, made: Made) -> Move {
        self.trouble = Some(made);
        self.stage = Stage::Over;
        self.next(world)
    }

    fn own_w(&self, world: &World) -> Option<f64> {
        world.home.meter_of(self.load).and_then(|p| world.fresh(p))
    }

    /// Where the load's draw shows: its own meter, or the supply.
    fn seen_at(&self, world: &World) -> Option<PointId> {
        world.home.meter_of(self.load).or_else(|| tail(&world.site))
    }

    /// Whether the device did what was set, by its own meter, or by the supply's change since `from`.
    fn followed(&self, world: &World, set: WallTime) -> bool {
        let draws = |watts: f64| {
            if self.on { watts >= DRAWS * self.setpoint_w } else { watts < DRAWS * self.setpoint_w }
        };
        if let Some(watts) = self.own_w(world) {
            let newest = world.home.meter_of(self.load).and_then(|p| world.trace(p)?.samples.last().copied());
            return newest.is_some_and(|s| s.at >= set) && draws(watts.abs());
        }
        let Some(point) = self.seen_at(world) else { return false };
        let before = world.mean(point, WallTime(set.0 - world.window().0), set);
        let now = world.between(point, set, world.now).last().map(|s| s.watts);
        before.zip(now).is_some_and(|(before, now)| (now - before).abs() >= DRAWS * self.setpoint_w)
    }

    /// How long the device may take to follow.
    fn patience(&self, world: &World) -> Span {
        let Some(load) = world.home.loads.get(usize::from(self.load.0)) else { return FOLLOWS };
        let own = load.settle + load.refresh + FOLLOWS;
        if load.is_charge_point() && self.on { own + RANDOM_DELAY } else { own }
    }
}

/// The point at the supply tail, where it is one.
pub(super) fn tail(site: &Site) -> Option<PointId> {
    site.clamps.iter().find(|c| c.own.flow == Flow::Tail).map(|c| c.point)
}

/// Asks for the daemon, once; what to do while it is missing.
pub(super) const NO_DAEMON: &str =
    "The loads are only commanded by the daemon, so that every bound of the home holds.";
pub(super) const START_IT: &str =
    "Start `overspill run` with this home file in another terminal, and repeat.";

impl Machine for Commanded {
    fn next(&mut self, world: &mut World) -> Move {
        match self.stage {
            Stage::Begin if world.is_commanded() => {
                self.stage = Stage::Started(world.now + DAEMON);
                self.order(Want::Off)
            }
            Stage::Begin if world.now < *self.patient.get_or_insert(world.now + COMES_UP) => {
                Move::Wait(world.now + COMES_UP, "the daemon".to_owned())
            }
            Stage::Begin if self.prompted => self.fail(world, Made::open(NO_DAEMON, START_IT)),
            Stage::Begin => {
                self.asking = true;
                Move::Ask(Question::done(
                    format!("{}.daemon", self.key),
                    "No daemon is heard. Start `overspill run` with this home file in another terminal, wait until it is up, and press Enter.",
                ))
            }
            Stage::Started(until) => self.started(world, until),
            Stage::Quiet(until) if world.now < until => {
                Move::Wait(until, "quiet before the command".to_owned())
            }
            Stage::Quiet(_) => {
                self.on = !self.on;
                self.stage = Stage::Ordered(world.now);
                self.order(if self.on { Want::On } else { Want::Off })
            }
            Stage::Ordered(at) => self.wait_for_daemon(world, at),
            Stage::Set(set, until) => self.wait_for_device(world, set, until),
            Stage::After(until) if world.now < until => Move::Wait(until, "the points to answer".to_owned()),
            Stage::After(until) => self.after(world, until),
            Stage::Over if self.ordered => self.order(Want::Auto),
            Stage::Over => Move::Finish(self.trouble.take().unwrap_or_else(|| self.verdict(world))),
        }
    }

    fn answer(&mut self, world: &mut World, _: Answer) {
        self.prompted = true;
        self.patient = Some(world.now + COMES_UP);
        if std::mem::take(&mut self.asking)
            && let Stage::Set(set, _) = self.stage
        {
            self.stage = Stage::Set(set, world.now + self.patience(world) + Span::minutes(2));
        }
    }

    fn holds(&self) -> Vec<LoadId> {
        if self.ordered { vec![self.load] } else { Vec::new() }
    }
}

impl Commanded {
    fn says(&self, world: &World) -> Option<(WallTime, bool, f64, Option<String>)> {
        let at = world.loads.get(usize::from(self.load.0))?;
        let (_, says) = at.says.as_ref()?;
        Some((at.since?, says.on, says.setpoint_w, says.limited_by.clone()))
    }

    fn started(&mut self, world: &mut World, until: WallTime) -> Move {
        let off = self.says(world).is_some_and(|(_, on, _, _)| !on);
        let rests = self.own_w(world).is_none_or(|w| w.abs() < 100.0);
        if off && rests {
            self.stage = Stage::Quiet(world.now + world.window() + Span::seconds(3));
            return self.next(world);
        }
        if world.now < until {
            return Move::Wait(until, "the load to be off at first".to_owned());
        }
        let why =
            if off { "It draws power although it is off." } else { "The daemon does not switch it off." };
        self.fail(world, Made::open(why, "See what holds it on (`overspill why`), and repeat."))
    }

    fn wait_for_daemon(&mut self, world: &mut World, at: WallTime) -> Move {
        match self.says(world) {
            Some((since, on, setpoint_w, _)) if on == self.on && since >= at => {
                if on {
                    self.setpoint_w = setpoint_w;
                }
                self.stage = Stage::Set(since, world.now + self.patience(world));
                self.prompted = false;
                self.next(world)
            }
            _ if !world.is_commanded() => self.fail(world, Made::open(NO_DAEMON, START_IT)),
            limited if world.now >= at + DAEMON => {
                let by = limited
                    .and_then(|(.., by)| by)
                    .map_or_else(String::new, |by| format!(" (limited by {by})"));
                let made =
                    Made::open(format!("The daemon did not set it{by}."), "See `overspill why`, and repeat.");
                self.fail(world, made)
            }
            _ => Move::Wait(at + DAEMON, "the daemon to set it; least times on and off hold".to_owned()),
        }
    }

    fn wait_for_device(&mut self, world: &mut World, set: WallTime, until: WallTime) -> Move {
        if self.followed(world, set) {
            let took = world.now - set;
            self.slowest = self.slowest.max(took);
            self.act(world, set);
            let settle = world.home.loads.get(usize::from(self.load.0)).map_or(FOLLOWS, |l| l.settle);
            self.stage = Stage::After(world.now + settle + world.window() + Span::seconds(1));
            return self.next(world);
        }
        if world.now < until {
            let what = if self.on { "the device to draw" } else { "the device to stop" };
            return Move::Wait(until, what.to_owned());
        }
        if !self.on {
            let made = Made::wrong(
                "It was commanded off, and goes on drawing power.",
                "See the wiring of its contactor and the topic of its command; until then switch it off by hand.",
            );
            return self.fail(world, made);
        }
        if self.prompted {
            let made = Made::open(
                "It was commanded on, and draws nothing, even after the prompt.",
                "See that it can draw (thermostat, plug, fuse) and that its command arrives; then repeat.",
            );
            return self.fail(world, made);
        }
        self.asking = true;
        Move::Ask(Question::done(format!("{}.can-draw", self.key), cannot_draw(world, self.load)))
    }

    fn act(&mut self, world: &mut World, set: WallTime) {
        let Some(load) = world.home.loads.get(usize::from(self.load.0)) else { return };
        // What a car takes of its offer is its own affair.
        let (low, high) = if load.is_charge_point() { (DRAWS, 1.05) } else { (0.85, 1.1) };
        // A device that takes its time is timed from shortly before it moved.
        let at = WallTime(set.0.max(world.now.0 - 20_000) - 1000);
        let settle = (world.now - at) + load.settle;
        let amount = Amount { watts: self.setpoint_w, low, high };
        world.acts.push(Act { what: What::Load(self.load), on: self.on, at, settle, amount });
        self.edges += 1;
    }

    fn after(&mut self, world: &mut World, until: WallTime) -> Move {
        let from = WallTime(until.0 - world.window().0);
        if let Some(watts) = world.home.meter_of(self.load).and_then(|p| world.mean(p, from, until)) {
            if self.on { self.drew_w.push(watts) } else { self.rested_w.push(watts) }
        }
        let often = Often::of(What::Load(self.load));
        let enough = often.is_enough(self.edges, !is_unclear(world, self.load));
        self.stage = if enough { Stage::Over } else { Stage::Quiet(world.now) };
        self.next(world)
    }

    fn verdict(&self, world: &World) -> Made {
        let Some(load) = world.home.loads.get(usize::from(self.load.0)) else {
            return Made::open("This load is no more.", "Begin again.");
        };
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let most = load.ceiling_w(volts);
        let drew = self.drew_w.iter().copied().fold(0.0, f64::max);
        let rested = self.rested_w.iter().copied().map(f64::abs).fold(0.0, f64::max);
        let slowest = self.slowest;
        let own = world.home.meter_of(self.load).is_some();
        let grid = in_the_grid(world, self.load);
        let times = self.edges / 2;
        let said = if own {
            format!(
                "It was on {times} times, drawing {drew:.0} W of at most {most:.0} W, and off {times} times, drawing {rested:.0} W; it followed within {slowest}."
            )
        } else {
            format!("It was on and off {times} times, and followed within {slowest}.")
        };
        let ask =
            |made: Made| if own { made.read("drew", drew, "W").read("at rest", rested, "W") } else { made };
        ask(if own && drew > 1.1 * most {
            Made::wrong(
                format!("{said} That is more than its rating."),
                "Correct its ceiling or rating in the home file, and see its circuit.",
            )
        } else if own && rested > DRAWS * self.setpoint_w {
            Made::wrong(format!("{said} It does not rest."), "See the wiring of its contactor.")
        } else {
            match grid {
                Some(Ok(share)) => {
                    Made::good(format!("{said} The grid reading moved by {:.0} % of it.", 100.0 * share))
                }
                Some(Err((words, next))) => Made::open(format!("{said} {words}"), next),
                None => Made::good(said),
            }
        })
    }
}

/// How the grid reading answered the load; `None` where it is not counted there.
fn grid_answer(world: &World, load: LoadId) -> Option<Result<f64, Unusable>> {
    let tail = tail(&world.site)?;
    world.site.consumers.iter().find(|c| c.load == load && c.counted)?;
    let diagnosis = world.diagnosis();
    let point = diagnosis.points.iter().find(|p| p.point == tail)?;
    point.responses.iter().find(|r| r.what == What::Load(load)).map(|response| response.share)
}

fn is_unclear(world: &World, load: LoadId) -> bool {
    grid_answer(world, load).is_some_and(|share| share.is_err())
}

/// What the grid reading did when the load was switched, as a share of it, or what is wrong with that and what is next;
/// `None` where it is not counted there.
fn in_the_grid(world: &World, load: LoadId) -> Option<Result<f64, (&'static str, &'static str)>> {
    const MEND_FIRST: &str = "See the verdict on the grid point, mend that, and repeat.";
    Some(match grid_answer(world, load)? {
        Ok(share) if share > DRAWS => Ok(share),
        Ok(share) if share < -DRAWS => Err(("The grid reading moved the other way.", MEND_FIRST)),
        Ok(_) => Err(("The grid reading did not move.", MEND_FIRST)),
        Err(_) => Err((
            "Its step can't be told in the grid reading: the house moved too much.",
            "Repeat when the house is quieter.",
        )),
    })
}

/// Why it may draw nothing, and what would help.
fn cannot_draw(world: &World, load: LoadId) -> String {
    let Some(of) = world.home.loads.get(usize::from(load.0)) else { return String::new() };
    let unplugged = world.loads.get(usize::from(load.0)).and_then(|l| l.plugged) == Some(false);
    match of.kind {
        Kind::ChargePoint { .. } if unplugged => "No car is plugged in. Plug one in that is not full, and press Enter.".to_owned(),
        Kind::ChargePoint { .. } => "It is on and draws nothing. See that the car is plugged in, not full, and without a timer of its own; then press Enter.".to_owned(),
        Kind::Modulated { .. } | Kind::Switch { .. } => format!(
            "{} is on and draws nothing. A hot tank can't draw: run a hot tap for some minutes, or turn its thermostat up; then press Enter.",
            of.name
        ),
    }
}
