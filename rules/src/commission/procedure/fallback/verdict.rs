//! What a load did without its commander, judged.

use crate::home::Fallback;
use crate::time::Span;

use super::super::result::{Fact, Made};
use super::super::world::World;
use super::{Fallen, GRACE, Watched, Way};

impl Fallen {
    /// What came of it once the load is in its fallback.
    pub(super) fn arrived_in_time(&self, world: &World, watched: Watched) -> Option<Made> {
        let (what, within) = self.declared(world);
        let there = self.arrived(world, self.own(world, watched.prompt))?;
        // A daemon that ends gives each load its fallback first, and is gone then.
        if there.at > watched.from || self.way == Way::Stopped {
            let took = (there.at - watched.from).max(Span::ZERO);
            return Some(self.timed(world, &what, within, took, there.watts));
        }
        // It was there before Enter: at most so long after what the prompt asked for.
        let at_most = there.at - watched.prompt;
        if at_most <= within + GRACE {
            return Some(self.timed(world, &what, within, at_most, there.watts));
        }
        Some(Made::open(
            format!(
                "Its fallback ({what}) was there before Enter was pressed, so nobody knows how long it took."
            ),
            "Repeat, and press Enter at once.",
        ))
    }

    /// What came of it when the time is over.
    pub(super) fn at_the_end(&self, world: &World, watched: Watched) -> Made {
        let (what, within) = self.declared(world);
        let last_w = self.own(world, watched.from).last().map_or(0.0, |s| s.watts);
        let made = match self.way {
            Way::Power => self.powered(world, watched, last_w),
            Way::Stopped | Way::Network if self.is_there(world, last_w) => {
                Made::good(format!("Left to itself it drew {last_w:.0} W."))
            }
            Way::Stopped | Way::Network => self.did_not_come(&what, within),
        };
        made.read("drew", last_w, "W")
    }

    /// What it did when its power came back. The daemon goes on commanding it off meanwhile, so that only what it drew
    /// until the next command is its own doing.
    fn powered(&self, world: &World, watched: Watched, last_w: f64) -> Made {
        let own = self.own(world, watched.prompt);
        let astray: Vec<f64> = own.iter().map(|s| s.watts).filter(|w| !self.is_there(world, *w)).collect();
        let most_w = own.iter().map(|s| s.watts).fold(0.0, f64::max);
        let rests = self.rests(world, last_w);
        let start_off = "Set the device to start switched off.";
        if !rests && !self.is_there(world, last_w) {
            return Made::wrong(
                format!(
                    "After its power came back it drew {last_w:.0} W, although the daemon commands it off."
                ),
                start_off,
            );
        }
        if self.of(world).is_some_and(|l| l.fallback == Fallback::Release) {
            return Made::good(format!(
                "After its power came back it drew up to {most_w:.0} W by itself, and {last_w:.0} W once the daemon had commanded it off."
            ));
        }
        match astray.len() {
            0 => Made::good(format!(
                "Its power went and came back, and it drew {most_w:.0} W at most, while the daemon commanded it off."
            )),
            1 => Made::open(
                format!(
                    "After its power came back one reading of {most_w:.0} W came before it rested: too little to judge by."
                ),
                "Repeat, and watch the device itself when its power comes back.",
            ),
            _ => Made::wrong(
                format!(
                    "When its power came back it drew {most_w:.0} W by itself, until the daemon commanded it off again."
                ),
                start_off,
            ),
        }
    }

    /// What is asked where no reading tells.
    pub(super) fn by_eyes(&self, world: &World) -> String {
        let (what, within) = self.declared(world);
        let asked = match self.way {
            Way::Power => "Did it stay off from the moment its power came back?".to_owned(),
            Way::Stopped | Way::Network => format!("Within {within}, did it come to its fallback ({what})?"),
        };
        format!("No reading tells what this load draws now. {asked} See its own display or lamp.")
    }

    /// What the answer to that came to.
    pub(super) fn seen(&self, world: &World, yes: bool) -> Made {
        let (what, within) = self.declared(world);
        match (self.way, yes) {
            (Way::Power, true) => Made::good("Seen at the device: it stayed off when its power came back."),
            (Way::Power, false) => Made::wrong(
                "Seen at the device: it started by itself when its power came back.",
                "Set the device to start switched off.",
            ),
            (_, true) => Made::good(format!("Seen at the device: its fallback ({what}) within {within}.")),
            (_, false) => self.did_not_come(&what, within),
        }
    }

    fn did_not_come(&self, what: &str, within: Span) -> Made {
        let (or_else, first) = match self.way {
            Way::Network => (
                ", or it never lost its network",
                "See that the device really was off the network, and repeat. If it was: set",
            ),
            Way::Stopped | Way::Power => ("", "Set"),
        };
        Made::wrong(
            format!("It did not come to its declared fallback ({what}) within {within}{or_else}."),
            format!(
                "{first} the device's own time-out, or correct `fallback` and `device_timeout` in the home file; until then switch it off by hand when the daemon is down."
            ),
        )
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
        let way = self.way.title();
        made.read("time to fallback", seconds, "s").read("drew", watts, "W").facts(vec![Fact::Fallback {
            load,
            way,
            seconds,
        }])
    }
}
