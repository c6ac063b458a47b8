//! What a load does when nobody commands it: the daemon stopped, the network gone, the device's power gone and back.

use crate::home::{Fallback, Load, LoadId};
use crate::time::{Span, WallTime};

use super::load::{COMES_UP, HELD, NO_DAEMON, START_IT};
use super::machine::{Machine, Move, Order, Want};
use super::question::{Answer, Ask, Question};
use super::result::{Fact, Made};
use super::world::World;

/// How the commander goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// `overspill run` is ended by hand: it gives every load its fallback first.
    Stopped,
    /// The device loses its network: its own time-out acts.
    Network,
    /// The device loses its power, and gets it back.
    Power,
}

impl Way {
    pub(super) const ALL: [Way; 3] = [Way::Stopped, Way::Network, Way::Power];

    pub(super) fn word(self) -> &'static str {
        match self {
            Way::Stopped => "stopped",
            Way::Network => "network",
            Way::Power => "power",
        }
    }

    pub(super) fn title(self) -> &'static str {
        match self {
            Way::Stopped => "the daemon stopped",
            Way::Network => "its network gone",
            Way::Power => "its power gone and back",
        }
    }

    fn prompt(self) -> &'static str {
        match self {
            Way::Stopped => {
                "Stop the daemon now (Ctrl-C in its terminal, or systemctl stop), and press Enter at once."
            }
            Way::Network => {
                "Take the device off the network now (pull its cable, or switch its access point off), and press Enter at once."
            }
            Way::Power => {
                "Switch the device's power off, wait ten seconds, switch it on again, and press Enter."
            }
        }
    }

    fn put_right(self) -> &'static str {
        match self {
            Way::Stopped => "Start the daemon again, wait until it is up, and press Enter.",
            Way::Network => "Put the device back on the network, and press Enter.",
            Way::Power => "See that the device is on and on the network again, and press Enter.",
        }
    }
}

/// A stopped daemon's last words and a device that obeys them take this long beside what the home file says.
const GRACE: Span = Span::seconds(15);

/// How long a device that got its power back is watched.
const POWERED: Span = Span::seconds(60);

enum Stage {
    Begin,
    Draws(WallTime),
    Prompt,
    /// Since when, and until when it is waited for.
    Gone(WallTime, WallTime),
    AskEyes,
    PutRight,
    Over,
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
        let what = match load.fallback {
            Fallback::Off => "off".to_owned(),
            Fallback::Watts { watts } => format!("{watts:.0} W"),
            Fallback::Amps { amps } => format!("{amps:.0} A"),
            Fallback::Release => "what the device does by itself".to_owned(),
        };
        let by_itself = load.device_timeout.unwrap_or(Span::ZERO);
        let within = match (self.way, load.fallback) {
            (Way::Stopped, Fallback::Release) | (Way::Network, _) => by_itself + load.settle,
            (Way::Stopped | Way::Power, _) => load.settle,
        };
        (what, within)
    }

    /// Whether a draw is that of the fallback.
    fn is_there(&self, world: &World, watts: f64) -> bool {
        let Some(load) = self.of(world) else { return false };
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let near = |wanted: f64| (watts - wanted).abs() <= (0.15 * wanted).max(50.0);
        let rests = watts.abs() <= (0.05 * load.ceiling_w(volts)).max(50.0);
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

    /// The newest own reading that was taken after `from`.
    fn since(&self, world: &World, from: WallTime) -> Option<(WallTime, f64)> {
        let point = world.home.meter_of(self.load)?;
        let newest = world.trace(point)?.samples.last()?;
        (newest.at > from).then_some((newest.at, newest.watts))
    }
}

impl Machine for Fallen {
    fn next(&mut self, world: &mut World) -> Move {
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
            Stage::Prompt => {
                Move::Ask(Question::done(format!("{}.{}", self.key, self.way.word()), self.way.prompt()))
            }
            Stage::Gone(from, until) => self.gone(world, from, until),
            Stage::AskEyes => {
                let (what, within) = self.declared(world);
                Move::Ask(Question::new(
                    format!("{}.seen", self.key),
                    format!(
                        "Nothing measures this load by itself now. Within {within}, did it come to its fallback ({what})? See its own display or lamp."
                    ),
                    Ask::YesNo,
                ))
            }
            Stage::PutRight => {
                Move::Ask(Question::done(format!("{}.put-right", self.key), self.way.put_right()))
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
            Stage::Prompt => {
                let (_, within) = self.declared(world);
                let watched = if self.way == Way::Power { POWERED } else { within.times(1.5) + GRACE };
                self.stage = Stage::Gone(world.now, world.now + watched);
            }
            Stage::AskEyes => {
                let (what, within) = self.declared(world);
                let made = if answer == Answer::Yes(true) {
                    Made::good(format!("Seen at the device: its fallback ({what}) within {within}."))
                } else {
                    wrong(&what, within)
                };
                self.done(made);
            }
            Stage::PutRight => self.stage = Stage::Over,
            _ => {}
        }
    }

    fn holds(&self) -> Vec<LoadId> {
        if self.ordered { vec![self.load] } else { Vec::new() }
    }
}

fn wrong(what: &str, within: Span) -> Made {
    Made::wrong(
        format!("It did not come to its declared fallback ({what}) within {within}."),
        "Set the device's own time-out, or correct `fallback` and `device_timeout` in the home file; until then switch it off by hand when the daemon is down.",
    )
}

impl Fallen {
    fn draws(&mut self, world: &mut World, until: WallTime) -> Move {
        let wanted_on = self.way != Way::Power;
        let says = world.loads.get(usize::from(self.load.0)).and_then(|l| l.says.as_ref());
        let set = says.is_some_and(|(_, s)| s.on == wanted_on);
        let own = world.home.meter_of(self.load).and_then(|p| world.fresh(p));
        let follows = own.is_none_or(|w| (w.abs() > 50.0) == wanted_on);
        if set && follows {
            self.stage = Stage::Prompt;
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

    fn gone(&mut self, world: &mut World, from: WallTime, until: WallTime) -> Move {
        let (what, within) = self.declared(world);
        let release = self.of(world).is_some_and(|l| l.fallback == Fallback::Release);
        let now = self.since(world, from);
        // After power is back, and where the device decides by itself, it is watched to the end.
        let to_the_end = self.way == Way::Power || release;
        if let Some((at, watts)) = now
            && !to_the_end
            && self.is_there(world, watts)
        {
            let took = at - from;
            self.done(self.timed(world, &what, within, took, watts));
            return self.next(world);
        }
        if world.now < until {
            return Move::Wait(until, format!("its fallback: {what}, declared within {within}"));
        }
        let made = match now {
            None => {
                self.stage = Stage::AskEyes;
                return self.next(world);
            }
            Some((_, watts)) if to_the_end && self.is_there(world, watts) => {
                let after =
                    if self.way == Way::Power { "After its power came back" } else { "Left to itself" };
                Made::good(format!("{after} it drew {watts:.0} W.")).read("drew", watts, "W")
            }
            Some((_, watts)) if self.way == Way::Power => Made::wrong(
                format!(
                    "After its power came back it drew {watts:.0} W, although it had been commanded off."
                ),
                "Set the device to start switched off.",
            ),
            Some((_, watts)) => wrong(&what, within).read("drew", watts, "W"),
        };
        self.done(made);
        self.next(world)
    }

    fn timed(&self, world: &World, what: &str, within: Span, took: Span, watts: f64) -> Made {
        let seconds = took.as_seconds();
        let load = self.of(world).map_or_else(String::new, |l| l.id.clone());
        let said = format!("Its fallback ({what}) was there after {took}; declared is {within}.");
        let made = if took <= within + GRACE {
            Made::good(said)
        } else {
            Made::wrong(said, "Correct the device's time-out, or `device_timeout` in the home file.")
        };
        made.read("time to fallback", seconds, "s").read("drew", watts, "W").facts(vec![Fact::Fallback {
            load,
            way: self.way.title(),
            seconds,
        }])
    }
}
