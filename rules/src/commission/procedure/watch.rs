//! Watching before touching.

use crate::home::{Home, Measures, Point, PointId, Unit};
use crate::time::{Span, WallTime};

use super::super::site::Site;
use super::super::watch::{Expected, Live, Seen, doubts, remarks};
use super::machine::{Machine, Move};
use super::question::Answer;
use super::result::Made;
use super::world::World;

/// How long everything is watched.
const WATCH: Span = Span::seconds(60);

/// Watches every point for a while.
#[derive(Default)]
pub(super) struct Watch {
    until: Option<WallTime>,
    from: WallTime,
}

impl Machine for Watch {
    fn next(&mut self, world: &mut World) -> Move {
        match self.until {
            None => {
                self.from = world.now;
                let usual = world.home.points.iter().filter_map(|p| p.interval).max().unwrap_or(Span::ZERO);
                let until = world.now + WATCH.max(usual.times(6.0));
                self.until = Some(until);
                Move::Wait(until, "watching every point".to_owned())
            }
            Some(until) if world.now < until => Move::Wait(until, "watching every point".to_owned()),
            Some(_) => Move::Finish(watched(world, self.from)),
        }
    }

    fn answer(&mut self, _: &mut World, _: Answer) {}
}

fn seen(world: &World, point: PointId, from: WallTime) -> Option<Seen> {
    let since = |at: WallTime| Span(at.0 - from.0).as_seconds();
    let mut live = Live::default();
    for sample in world.between(point, from, world.now) {
        live.push(since(sample.at), sample.watts);
    }
    live.seen(since(world.now))
}

/// What the home file leads one to expect of a point.
fn expected(home: &Home, site: &Site, id: PointId, point: &Point) -> Expected {
    let supply_w = home.supply.rating_a * home.supply.volts * f64::from(home.supply.phases);
    let both_ways = site.clamp(id).is_some_and(|clamp| clamp.both_ways);
    Expected {
        kilowatts: point.unit == Unit::Kw,
        every_s: point.interval.map(Span::as_seconds),
        most_w: match point.measures {
            Measures::Load(load) => home.load(load).ceiling_w(home.supply.volts),
            _ => supply_w,
        },
        below_zero: both_ways || point.measures == Measures::Battery,
        always: matches!(point.measures, Measures::Grid(_) | Measures::House),
    }
}

/// Which way power went all the while, where a point measures both ways: whoever stands there knows what it should be.
fn way(measures: Measures, seen: &Seen) -> &'static str {
    let (above, below) = match measures {
        Measures::Grid(_) => (" (import)", " (export)"),
        Measures::Battery => (" (discharging)", " (charging)"),
        _ => ("", ""),
    };
    match (seen.low >= 0.0, seen.high <= 0.0) {
        (true, false) => above,
        (false, true) => below,
        _ => "",
    }
}

fn told(point: &Point, seen: &Seen) -> String {
    let every = seen.every_s.map_or_else(|| "once".to_owned(), |s| format!("every {s:.0} s"));
    let noise = seen.noise.map(|w| format!(", noise {w:.0} W")).unwrap_or_default();
    let way = way(point.measures, seen);
    format!("{}: {every}, {:.0} to {:.0} W{way}{noise}", point.id, seen.low, seen.high)
}

fn watched(world: &World, from: WallTime) -> Made {
    let site = Site::of(&world.home);
    let (mut silent, mut odd, mut heard, mut readings) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (i, point) in world.home.points.iter().enumerate() {
        let id = PointId(i as u16);
        let Some(seen) = seen(world, id, from) else {
            let refused = world.refused.get(i).and_then(Option::as_ref);
            let why = refused.map_or_else(|| "nothing came".to_owned(), |w| format!("refused: {w}"));
            silent.push(format!("`{}` ({why})", point.id));
            continue;
        };
        let expected = expected(&world.home, &site, id, point);
        odd.extend(doubts(seen, expected).into_iter().map(|doubt| format!("`{}`: {doubt}", point.id)));
        heard.push(format!("{}.", told(point, &seen)));
        heard.extend(remarks(seen, expected));
        readings.push((point.id.clone(), seen.last));
    }
    let made = if !silent.is_empty() {
        let next = "See that each device is on, and that its topic and pointer in the home file are right.";
        Made::wrong(format!("Silent: {}.", silent.join(", ")), next)
    } else if !odd.is_empty() {
        let next = "Compare with the device's own display; the switching steps will tell.";
        Made::open(odd.join(" "), next)
    } else {
        Made::good(format!("Every point is heard. {}", heard.join(" ")))
    };
    readings.into_iter().fold(made, |made, (name, watts)| made.read(name, watts, "W"))
}
