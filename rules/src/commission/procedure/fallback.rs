//! What a load does when nobody commands it: the daemon stopped, the network gone, the device's power gone and back.

mod verdict;
mod way;

use crate::home::{Fallback, Load, LoadId};
use crate::time::{Span, WallTime};

use super::super::Sample;
use super::load::{COMES_UP, HELD, NO_DAEMON, START_IT};
use super::machine::{Machine, Move, Order, Want};
use super::question::{Answer, Ask, Question};
use super::result::Made;
use super::world::World;
pub(super) use way::Way;

/// A stopped daemon's last words and a device that obeys them take this long beside what the home file says.
const GRACE: Span = Span::seconds(15);

/// How long a device that got its power back is watched.
const POWERED: Span = Span::seconds(60);

/// A daemon that was stopped is heard to be gone within this.
const GOES: Span = Span::seconds(20);

enum Stage {
    Begin,
    Draws(WallTime),
    /// Asked for since then.
    Prompt(WallTime),
    /// The daemon is not gone yet; asked for since, and waited for until.
    Going(WallTime, WallTime),
    Gone(Watched),
    AskEyes,
    PutRight,
    Over,
}

/// The time in which the load is watched without its commander.
#[derive(Clone, Copy)]
struct Watched {
    /// The prompt: nothing was switched before.
    prompt: WallTime,
    /// The commander was gone by then.
    from: WallTime,
    until: WallTime,
}

/// One load's fallback in one way.
pub(super) struct Fallen {
    load: LoadId,
    way: Way,
    key: String,
    stage: Stage,
    ordered: bool,
    prompted: bool,
    made: Option<Made>,
    say: Option<&'static str>,
    /// Until when the daemon is waited for.
    patient: Option<WallTime>,
}

impl Fallen {
    pub(super) fn new(load: LoadId, way: Way, key: &str) -> Fallen {
        Fallen {
            load,
            way,
            key: key.to_owned(),
            stage: Stage::Begin,
            ordered: false,
            prompted: false,
            made: None,
            say: None,
            patient: None,
        }
    }

    fn of<'a>(&self, world: &'a World) -> Option<&'a Load> {
        world.home.loads.get(usize::from(self.load.0))
    }

    fn done(&mut self, made: Made) {
        self.made = Some(made);
        self.stage =
            if matches!(self.stage, Stage::Begin | Stage::Draws(_)) { Stage::Over } else { Stage::PutRight };
    }

    /// What was declared: for people, and how long it may take.
    fn declared(&self, world: &World) -> (String, Span) {
        let Some(load) = self.of(world) else { return (String::new(), GRACE) };
        let what = load.fallback.words();
        let by_itself = load.device_timeout.unwrap_or(Span::ZERO);
        let within = match (self.way, load.fallback) {
            (Way::Stopped, Fallback::Release) | (Way::Network, _) => by_itself + load.settle,
            (Way::Stopped | Way::Power, _) => load.settle,
        };
        (what, within)
    }

    /// Whether a draw is next to nothing.
    fn rests(&self, world: &World, watts: f64) -> bool {
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let ceiling_w = self.of(world).map_or(0.0, |l| l.ceiling_w(volts));
        watts.abs() <= (0.05 * ceiling_w).max(50.0)
    }

    /// Whether a draw is that of the fallback.
    fn is_there(&self, world: &World, watts: f64) -> bool {
        let Some(load) = self.of(world) else { return false };
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let near = |wanted: f64| (watts - wanted).abs() <= (0.15 * wanted).max(50.0);
        let rests = self.rests(world, watts);
        match load.fallback {
            Fallback::Off => rests,
            // What it was told to do before its power went was nothing.
            Fallback::Release => self.way != Way::Power || rests,
            Fallback::Watts { watts: wanted } => near(wanted) || (self.way == Way::Power && rests),
            Fallback::Amps { amps } => {
                near(amps * load.watts_per_amp(volts)) || watts <= amps * load.watts_per_amp(volts)
            }
        }
    }

    /// The load's own readings that were taken after `from`.
    fn own<'a>(&self, world: &'a World, from: WallTime) -> &'a [Sample] {
        let Some(point) = world.home.meter_of(self.load) else { return &[] };
        let all = world.between(point, from, world.now);
        all.get(all.partition_point(|s| s.at <= from)..).unwrap_or_default()
    }

    /// The first of the readings from which on all are those of the fallback.
    fn arrived(&self, world: &World, own: &[Sample]) -> Option<Sample> {
        own.iter().rev().take_while(|s| self.is_there(world, s.watts)).last().copied()
    }

    /// The time begins in which it is watched.
    fn watch(&mut self, world: &World, prompt: WallTime) {
        let (_, within) = self.declared(world);
        let watched = if self.way == Way::Power { POWERED } else { within.times(1.5) + GRACE };
        // A daemon that ended says so itself, and sooner than a hand.
        let gone = world.commander.filter(|(at, up)| self.way == Way::Stopped && !up && *at >= prompt);
        let from = gone.map_or(world.now, |(at, _)| at);
        self.stage = Stage::Gone(Watched { prompt, from, until: world.now + watched });
    }
}

impl Machine for Fallen {
    fn next(&mut self, world: &mut World) -> Move {
        if let Some(words) = self.say.take() {
            return Move::Say(words.to_owned());
        }
        match self.stage {
            Stage::Begin if world.is_commanded() => {
                self.stage = Stage::Draws(world.now + Span::minutes(12));
                self.ordered = true;
                // A device that gets its power back should find itself commanded off.
                let want = if self.way == Way::Power { Want::Off } else { Want::On };
                Move::Order(Order { load: self.load, want, lasts: HELD })
            }
            Stage::Begin if world.now < *self.patient.get_or_insert(world.now + COMES_UP) => {
                Move::Wait(world.now + COMES_UP, "the daemon".to_owned())
            }
            Stage::Begin if self.prompted => {
                self.done(Made::open(NO_DAEMON, START_IT));
                self.next(world)
            }
            Stage::Begin => Move::Ask(Question::done(
                format!("{}.daemon", self.key),
                "No daemon is heard. Start `overspill run` with this home file in another terminal, wait until it is up, and press Enter.",
            )),
            Stage::Draws(until) => self.draws(world, until),
            Stage::Prompt(_) => {
                Move::Ask(Question::done(format!("{}.{}", self.key, self.way.word()), self.way.prompt()))
            }
            Stage::Going(prompt, until) => self.going(world, prompt, until),
            Stage::Gone(watched) => self.gone(world, watched),
            Stage::AskEyes => {
                Move::Ask(Question::new(format!("{}.seen", self.key), self.by_eyes(world), Ask::YesNo))
            }
            Stage::PutRight => {
                let words = format!("{}, and press Enter.", self.way.put_right());
                Move::Ask(Question::done(format!("{}.put-right", self.key), words))
            }
            Stage::Over if self.ordered => {
                self.ordered = false;
                Move::Order(Order { load: self.load, want: Want::Auto, lasts: HELD })
            }
            Stage::Over => Move::Finish(
                self.made.take().unwrap_or_else(|| Made::open("It was not seen.", "Repeat this step.")),
            ),
        }
    }

    fn answer(&mut self, world: &mut World, answer: Answer) {
        match self.stage {
            Stage::Begin => {
                self.prompted = true;
                self.patient = Some(world.now + COMES_UP);
            }
            Stage::Prompt(prompt) if self.way == Way::Stopped => {
                self.stage = Stage::Going(prompt, world.now + GOES);
            }
            Stage::Prompt(prompt) => self.watch(world, prompt),
            Stage::AskEyes => {
                let made = self.seen(world, answer == Answer::Yes(true));
                self.done(made);
            }
            Stage::PutRight => self.stage = Stage::Over,
            _ => {}
        }
    }

    fn holds(&self) -> Vec<LoadId> {
        if self.ordered { vec![self.load] } else { Vec::new() }
    }

    fn left_switched(&self) -> Option<String> {
        let begun = !matches!(self.stage, Stage::Begin | Stage::Draws(_) | Stage::Over);
        begun.then(|| format!("{}.", self.way.put_right()))
    }
}

impl Fallen {
    fn draws(&mut self, world: &mut World, until: WallTime) -> Move {
        let wanted_on = self.way != Way::Power;
        let says = world.loads.get(usize::from(self.load.0)).and_then(|l| l.says.as_ref());
        let set = says.is_some_and(|(_, s)| s.on == wanted_on);
        let own = world.home.meter_of(self.load).and_then(|p| world.fresh(p));
        let follows = own.is_none_or(|w| (w.abs() > 50.0) == wanted_on);
        if set && follows {
            self.stage = Stage::Prompt(world.now);
            return self.next(world);
        }
        if world.now < until {
            let what = if wanted_on { "the load to draw" } else { "the load to rest" };
            return Move::Wait(until, what.to_owned());
        }
        let why = if set { "It draws nothing that could fall away." } else { "The daemon did not set it." };
        self.done(Made::open(
            why,
            "See that it may and can draw (tank not hot, car plugged in), and repeat.",
        ));
        self.next(world)
    }

    /// Nothing is timed while the daemon is still there: it would command the load all the while.
    fn going(&mut self, world: &mut World, prompt: WallTime, until: WallTime) -> Move {
        if !world.is_commanded() {
            self.watch(world, prompt);
        } else if world.now < until {
            return Move::Wait(until, "the daemon to be gone".to_owned());
        } else {
            self.say = Some("The daemon is still heard.");
            self.stage = Stage::Prompt(world.now);
        }
        self.next(world)
    }

    fn gone(&mut self, world: &mut World, watched: Watched) -> Move {
        let made = if self.way == Way::Stopped && world.is_commanded() {
            Some(Made::open(
                "The daemon was back before the load had done what it does without it.",
                "Stop it so that nothing starts it again, and repeat.",
            ))
        } else if self.is_watched_to_the_end(world) {
            None
        } else {
            self.arrived_in_time(world, watched)
        };
        if let Some(made) = made {
            self.done(made);
            return self.next(world);
        }
        if world.now < watched.until {
            return Move::Wait(watched.until, self.awaited(world));
        }
        if self.own(world, watched.from).is_empty() {
            self.stage = Stage::AskEyes;
            return self.next(world);
        }
        let made = self.at_the_end(world, watched);
        self.done(made);
        self.next(world)
    }

    /// After power is back, and where the device decides by itself, there is no moment at which it is done.
    fn is_watched_to_the_end(&self, world: &World) -> bool {
        self.way == Way::Power || self.of(world).is_some_and(|l| l.fallback == Fallback::Release)
    }

    fn awaited(&self, world: &World) -> String {
        let (what, within) = self.declared(world);
        match self.way {
            Way::Power => "what it does now that its power is back".to_owned(),
            Way::Stopped | Way::Network => format!("its fallback: {what}, declared within {within}"),
        }
    }
}
