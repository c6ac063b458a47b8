//! Watching before touching, the voltage, and what the sun says.

use crate::home::{Measures, PointId};
use crate::sun;
use crate::time::{Span, WallTime};

use super::super::trace::median;
use super::machine::{Machine, Move};
use super::question::{Answer, Ask, Question};
use super::result::Made;
use super::world::World;

/// How long everything is watched.
const WATCH: Span = Span::seconds(60);

/// A home's devices that read below this at work, in watts, may send kilowatts.
const KILOWATTS_BELOW: f64 = 25.0;

/// Watts that no home of this supply can draw are watts read as kilowatts.
const BEYOND_SUPPLY: f64 = 4.0;

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

/// One point as it was seen: readings, and what looks wrong.
struct Seen {
    readings: usize,
    low: f64,
    high: f64,
    middle: f64,
    noise: f64,
}

fn seen(world: &World, point: PointId, from: WallTime) -> Option<Seen> {
    let watts: Vec<f64> = world.between(point, from, world.now).iter().map(|s| s.watts).collect();
    let middle = median(&watts);
    let off: Vec<f64> = watts.iter().map(|w| (w - middle).abs()).collect();
    (!watts.is_empty()).then(|| Seen {
        readings: watts.len(),
        low: watts.iter().copied().fold(f64::INFINITY, f64::min),
        high: watts.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        middle,
        noise: median(&off),
    })
}

fn watched(world: &World, from: WallTime) -> Made {
    let (mut silent, mut odd, mut told) = (Vec::new(), Vec::new(), Vec::new());
    let mut readings = Vec::new();
    let most_w = world.home.supply.rating_a * world.home.supply.volts * f64::from(world.home.supply.phases);
    for (i, point) in world.home.points.iter().enumerate() {
        let id = PointId(i as u16);
        let refused = world.refused.get(i).and_then(Option::as_ref);
        let Some(s) = seen(world, id, from) else {
            let why = refused.map_or_else(|| "nothing came".to_owned(), |w| format!("refused: {w}"));
            silent.push(format!("`{}` ({why})", point.id));
            continue;
        };
        let every = (world.now - from).as_seconds() / s.readings as f64;
        told.push(format!(
            "{}: every {every:.0} s, {:.0} to {:.0} W, noise {:.0} W",
            point.id, s.low, s.high, s.noise
        ));
        readings.push((point.id.clone(), s.middle));
        let level = s.low.abs().max(s.high.abs());
        if level > BEYOND_SUPPLY * most_w {
            odd.push(format!(
                "`{}` reads more than this supply can carry; perhaps its unit is W, not kW",
                point.id
            ));
        } else if level > 0.0
            && level < KILOWATTS_BELOW
            && s.middle.fract() != 0.0
            && always_works(point.measures)
        {
            odd.push(format!("`{}` reads {:.3} W; perhaps its unit is kW, not W", point.id, s.middle));
        }
    }
    let made = if !silent.is_empty() {
        let next = "See that each device is on, and that its topic and pointer in the home file are right.";
        Made::wrong(format!("Silent: {}.", silent.join(", ")), next)
    } else if !odd.is_empty() {
        Made::open(
            format!("{}.", odd.join("; ")),
            "Compare with the device's own display; the switching steps will tell.",
        )
    } else {
        Made::good(format!("Every point is heard. {}.", told.join("; ")))
    };
    readings.into_iter().fold(made, |made, (name, watts)| made.read(name, watts, "W"))
}

/// Whether some watts always flow there.
fn always_works(measures: Measures) -> bool {
    matches!(measures, Measures::Grid(_) | Measures::House)
}

/// The voltage: measured, or typed from an instrument.
pub(super) struct Voltage {
    until: Option<WallTime>,
    typed: Option<f64>,
    low: f64,
    high: f64,
    rule: &'static str,
}

impl Voltage {
    /// The band of the country: in Great Britain 230 V -6 to +10 % (Electricity Safety, Quality and Continuity
    /// Regulations 2002, regulation 27), elsewhere 10 % each way (EN 50160; IEC 60038).
    pub(super) fn new(nominal: f64, british: bool) -> Voltage {
        let (low, rule) = if british {
            (0.94, "-6 to +10 % (ESQCR 2002, regulation 27)")
        } else {
            (0.90, "10 % each way (EN 50160)")
        };
        Voltage { until: None, typed: None, low: nominal * low, high: nominal * 1.10, rule }
    }

    fn verdict(&self, volts: f64, by: &str) -> Made {
        let (low, high, rule) = (self.low, self.high, self.rule);
        let made = if (low..=high).contains(&volts) {
            Made::good(format!("{volts:.1} V {by}, within {low:.1} to {high:.1} V: {rule}."))
        } else {
            Made::wrong(
                format!("{volts:.1} V {by} is outside {low:.1} to {high:.1} V: {rule}."),
                "Measure again with a second instrument; if it holds, tell the network operator before anything else.",
            )
        };
        made.read("voltage", volts, "V")
    }
}

impl Machine for Voltage {
    fn next(&mut self, world: &mut World) -> Move {
        if let Some(volts) = self.typed {
            return Move::Finish(self.verdict(volts, "by the instrument"));
        }
        if let Some((point, volts)) = world.volts() {
            let by = format!("by `{}`", world.name(point));
            return Move::Finish(self.verdict(volts, &by));
        }
        let measured = world.home.points.iter().any(|p| p.has_extra(crate::home::ExtraKind::Volts));
        let until = *self.until.get_or_insert(world.now + Span::seconds(30));
        if measured && world.now < until {
            return Move::Wait(until, "a reading of the voltage".to_owned());
        }
        Move::Ask(Question::new(
            "voltage.volts",
            "No point measures volts. What does your instrument read, line to neutral?",
            Ask::Number { unit: "V", low: 50.0, high: 500.0, optional: false },
        ))
    }

    fn answer(&mut self, _: &mut World, answer: Answer) {
        self.typed = answer.number();
    }
}

/// What a dark roof may read, in watts: an inverter at rest takes a few.
const DARK_W: f64 = 25.0;

/// Day and night, as far as this hour tells.
#[derive(Default)]
pub(super) struct Daylight {
    until: Option<WallTime>,
}

impl Machine for Daylight {
    fn next(&mut self, world: &mut World) -> Move {
        let until = *self.until.get_or_insert(world.now + Span::seconds(60));
        let heard = world.home.points_measuring(Measures::Solar).all(|p| world.fresh(p).is_some());
        if !heard && world.now < until {
            return Move::Wait(until, "a reading of the roof".to_owned());
        }
        Move::Finish(daylight(world))
    }

    fn answer(&mut self, _: &mut World, _: Answer) {}
}

const BY_HISTORY: &str = "Let the daemon record a day and a night, then run this command with --from and --to: it completes this step.";

fn daylight(world: &World) -> Made {
    let Some(place) = world.home.coordinates else {
        return Made::open(
            "The home file does not say where the home is.",
            "Write `latitude` and `longitude` below [home]; then a day and a night of readings complete this step.",
        );
    };
    let Some(sun) = sun::position(world.now, place) else {
        return Made::open(
            "The sun can't be worked out for this place and time.",
            "See `latitude` and `longitude`.",
        );
    };
    let roofs = world.home.points_measuring(Measures::Solar);
    let readings: Vec<(PointId, f64)> = roofs.filter_map(|p| Some((p, world.fresh(p)?))).collect();
    let (now, other) = match sun.elevation_deg {
        h if h < NIGHT_DEG => (NIGHT, DAY),
        h if h > DAY_DEG => (DAY, NIGHT),
        _ => return Made::open("The sun is too low to tell day from night.", BY_HISTORY),
    };
    let made = if readings.is_empty() {
        Made::open("The roof's reading is missing.", "See that it is heard, and repeat.")
    } else if let Some((point, watts)) = readings.iter().find(|(_, w)| is_wrong(now, *w)) {
        let what =
            if now == NIGHT { "a roof makes nothing at night" } else { "a roof does not take power by day" };
        Made::wrong(
            format!("`{}` reads {watts:.0} W {now}: {what}.", world.name(*point)),
            "See the verdict on this point, and what its clamp really encloses.",
        )
    } else if now == DAY && readings.iter().all(|(_, w)| *w < DARK_W) {
        Made::open("It is day, and the roof gives nothing to judge by.", BY_HISTORY)
    } else if world.daylight.iter().any(|r| r.name.ends_with(other)) {
        Made::good("It gives power by day and none by night.")
    } else {
        let what =
            if now == DAY { "The roof gives power by day." } else { "The roof gives nothing by night." };
        Made::open(format!("{what} It is still to be seen {other}."), BY_HISTORY)
    };
    let kept = world.daylight.iter().filter(|r| r.name.ends_with(other)).cloned();
    let mut made =
        readings.iter().fold(made, |m, (p, w)| m.read(format!("{} {now}", world.name(*p)), *w, "W"));
    made.readings.extend(kept);
    made
}

/// Below this height of the sun, in degrees, it is night: the end of civil twilight.
const NIGHT_DEG: f64 = -6.0;

/// From this height on a roof gives something.
const DAY_DEG: f64 = 8.0;

const NIGHT: &str = "by night";
const DAY: &str = "by day";

fn is_wrong(when: &str, watts: f64) -> bool {
    if when == NIGHT { watts.abs() > DARK_W } else { watts < -DARK_W }
}
