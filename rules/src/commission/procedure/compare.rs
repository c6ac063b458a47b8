//! Held against something that is trusted: the flashes of the supply meter, an instrument.

use crate::home::{Measures, PointId};
use crate::time::{Span, WallTime};

use super::super::{Accuracy, Class, Sample, compare};
use super::form::{Answers, number, words};
use super::machine::{Machine, Move};
use super::question::{Answer, Ask, Question};
use super::result::{Made, Standing};
use super::world::World;

/// What a billing meter of class B may be wrong by, as a share (MID 2014/32/EU, MI-003, Table 2), with what a clamp of
/// class 1 may be at a twentieth of its rating (IEC 61869-2).
const METER_AND_CLAMP: f64 = 0.02 + 0.03;

/// How wrong each of two presses of a key may be, in seconds.
const PRESS_S: f64 = 0.3;

/// Power in watts from flashes: 3 600 000 over constant and time of one (IEC 62053-31).
pub fn flash_power_w(per_kwh: f64, flashes: f64, seconds: f64) -> f64 {
    3.6e6 * flashes / (per_kwh * seconds)
}

/// Counts the flashes of the supply meter.
#[derive(Default)]
pub(super) struct Flashes {
    answers: Answers,
    begun: Option<WallTime>,
    /// From, to, and how wrong their distance may be in seconds.
    counted: Option<(WallTime, WallTime, f64)>,
}

impl Flashes {
    fn questions() -> Vec<Question> {
        let ask = |unit, low, high, optional| Ask::Number { unit, low, high, optional };
        vec![
            Question::new(
                "flashes.per-kwh",
                "How many flashes a kilowatt-hour is printed beside the lamp?",
                ask("imp/kWh", 1.0, 100_000.0, false),
            ),
            Question::new(
                "flashes.count",
                "How many flashes do you count? (10 or more)",
                ask("", 2.0, 10_000.0, false),
            ),
            Question::new(
                "flashes.seconds",
                "Seconds they took just now by your watch; or Enter to press a key at the first and the last",
                ask("s", 3.0, 600.0, true),
            ),
        ]
    }
}

impl Machine for Flashes {
    fn next(&mut self, world: &mut World) -> Move {
        if let Some((from, to, error_s)) = self.counted {
            return Move::Finish(flashed(world, &self.answers, from, to, error_s));
        }
        match Flashes::questions().into_iter().nth(self.answers.len()) {
            Some(question) => Move::Ask(question),
            None if self.begun.is_none() => {
                Move::Ask(Question::done("flashes.first", "Press Enter at a flash: that one is number 0."))
            }
            None => {
                let count = number(&self.answers, 1).unwrap_or(10.0);
                Move::Ask(Question::done("flashes.last", format!("Press Enter at flash number {count:.0}.")))
            }
        }
    }

    fn asks(&self) -> Vec<Question> {
        Flashes::questions()
    }

    fn answer(&mut self, world: &mut World, answer: Answer) {
        if self.answers.len() < 3 {
            self.answers.push(answer);
            if let Some(seconds) = number(&self.answers, 2) {
                let from = WallTime(world.now.0 - (seconds * 1000.0) as i64);
                self.counted = Some((from, world.now, 2.0 * PRESS_S));
            }
            return;
        }
        match self.begun {
            None => self.begun = Some(world.now),
            Some(from) => self.counted = Some((from, world.now, 2.0 * PRESS_S)),
        }
    }
}

/// The grid's mean, and whether power turned round meanwhile.
fn grid(world: &World, from: WallTime, to: WallTime) -> Option<(f64, bool)> {
    let points: Vec<PointId> = world
        .home
        .points
        .iter()
        .enumerate()
        .filter(|(_, p)| matches!(p.measures, Measures::Grid(_)))
        .map(|(i, _)| PointId(i as u16))
        .collect();
    let mut sum = 0.0;
    for point in &points {
        sum += world.mean(*point, from, to)?;
    }
    let turned = points.len() == 1
        && points.iter().any(|p| {
            let all = world.between(*p, from, to);
            all.iter().any(|s| s.watts > 0.0) && all.iter().any(|s| s.watts < 0.0)
        });
    (!points.is_empty()).then_some((sum, turned))
}

fn flashed(world: &World, answers: &Answers, from: WallTime, to: WallTime, error_s: f64) -> Made {
    let (per_kwh, count) = (number(answers, 0).unwrap_or(1000.0), number(answers, 1).unwrap_or(0.0));
    let seconds = (to - from).as_seconds();
    let again = "Count again, 10 flashes or more over 20 s or more, while a heater runs.";
    let Some((grid_w, turned)) = grid(world, from, to) else {
        return Made::open("No grid reading came meanwhile.", again);
    };
    if seconds < 5.0 {
        return Made::open(format!("{count:.0} flashes in {seconds:.1} s are too quick to time."), again);
    }
    let meter_w = flash_power_w(per_kwh, count, seconds);
    let limit = METER_AND_CLAMP + error_s / seconds;
    let differs = grid_w.abs() / meter_w - 1.0;
    let said = format!(
        "{count:.0} flashes in {seconds:.1} s are {meter_w:.0} W; the grid reading was {grid_w:.0} W, {:+.1} % (allowed {:.1} %). A flash does not tell the direction.",
        100.0 * differs,
        100.0 * limit
    );
    let made = if turned {
        Made::open("Power turned its direction while you counted.", again)
    } else if meter_w < 100.0 {
        Made::open(format!("{said} So little proves nothing."), again)
    } else if differs.abs() <= limit {
        Made::good(said)
    } else if limit > 0.12 {
        Made::open(said, again)
    } else {
        Made::wrong(
            said,
            "Count again; if it holds, the scale of the grid point is wrong: see its ratio, burden and turns.",
        )
    };
    made.read("by flashes", meter_w, "W").read("grid reading", grid_w.abs(), "W")
}

/// How far readings lie apart.
fn spread(samples: &[Sample]) -> f64 {
    let low = samples.iter().map(|s| s.watts).fold(f64::INFINITY, f64::min);
    let high = samples.iter().map(|s| s.watts).fold(f64::NEG_INFINITY, f64::max);
    (high - low).max(0.0)
}

/// Compares one point with an instrument.
pub(super) struct Instrument {
    point: PointId,
    id: String,
    answers: Answers,
}

/// What a plain heater draws, in watts.
const HEATER_W: f64 = 3000.0;

/// The reading of a point is averaged over this.
const MEAN: Span = Span::seconds(10);

impl Instrument {
    pub(super) fn new(point: PointId, id: &str) -> Instrument {
        Instrument { point, id: id.to_owned(), answers: Vec::new() }
    }

    fn question(&self, world: &World, i: usize) -> Option<Question> {
        let now = world.fresh(self.point).map_or_else(
            || format!("`{}` is not heard now.", self.id),
            |watts| format!("`{}` reads {:.0} W now.", self.id, watts.abs()),
        );
        let key = |what: &str| format!("instrument.{}.{what}", self.id);
        let ask = |unit, low, high| Ask::Number { unit, low, high, optional: false };
        let in_amps = words(&self.answers, 3) == "A";
        Some(match i {
            0 => Question::new(
                key("class"),
                "Accuracy class of the clamp or meter, as printed",
                Ask::Choice(vec!["0.5", "1", "3"]),
            ),
            1 => Question::new(key("rated-a"), "Its rated current", ask("A", 1.0, 2000.0)),
            2 => Question::new(key("accuracy"), "The instrument is right to", ask("%", 0.05, 10.0)),
            3 => Question::new(
                key("reads"),
                "Does the instrument read watts or amps?",
                Ask::Choice(vec!["W", "A"]),
            ),
            4 if in_amps => Question::new(
                key("value"),
                format!("{now} What does the instrument read, beside a steady heater?"),
                ask("A", 0.05, 2000.0),
            ),
            4 => Question::new(
                key("value"),
                format!("{now} What does the instrument read, without its sign?"),
                ask("W", 1.0, 500_000.0),
            ),
            _ => return None,
        })
    }
}

impl Machine for Instrument {
    fn next(&mut self, world: &mut World) -> Move {
        match self.question(world, self.answers.len()) {
            Some(question) => Move::Ask(question),
            None => Move::Finish(self.compared(world)),
        }
    }

    fn answer(&mut self, _: &mut World, answer: Answer) {
        self.answers.push(answer);
    }
}

impl Instrument {
    fn compared(&self, world: &World) -> Made {
        let interval = world.trace(self.point).map_or(Span::ZERO, |t| t.interval);
        let from = WallTime(world.now.0 - MEAN.max(interval.times(3.0)).0);
        let Some(reads_w) = world.mean(self.point, from, world.now) else {
            return Made::open("The point was not heard meanwhile.", "See that it is heard, and repeat.");
        };
        let class = match words(&self.answers, 0).as_str() {
            "0.5" => Class::Half,
            "1" => Class::One,
            _ => Class::Three,
        };
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let rated_a = number(&self.answers, 1).unwrap_or(100.0);
        let share = number(&self.answers, 2).unwrap_or(1.0) / 100.0;
        let value = number(&self.answers, 4).unwrap_or(0.0);
        let by_amps = words(&self.answers, 3) == "A";
        let reference_w = if by_amps { value * volts } else { value };
        let spread = spread(world.between(self.point, from, world.now));
        let said = format!("The instrument says {reference_w:.0} W, `{}` {:.0} W", self.id, reads_w.abs());
        let made = match compare(reads_w.abs(), reference_w, share, class, rated_a, volts) {
            Accuracy::Within { limit } if by_amps => Made::good(format!(
                "{said}: within {:.1} %, as volts times amps, which are watts where little but a heater runs.",
                100.0 * limit
            )),
            Accuracy::Within { limit } => Made::good(format!("{said}: within {:.1} %.", 100.0 * limit)),
            // Volts times amps are more than the watts of anything with a power factor below 1.
            Accuracy::Outside { reads_times, .. } if by_amps && reads_times < 1.0 => Made::open(
                format!(
                    "{said}: {reads_times:.2} times as much, as a good point does beside anything but a heater."
                ),
                "Repeat with an instrument that reads watts, or while nothing but a plain heater runs.",
            ),
            Accuracy::Outside { limit, reads_times } => Made::wrong(
                format!("{said}: {reads_times:.2} times as much, and {:.1} % are allowed.", 100.0 * limit),
                "Compare ratio, burden and turns with the settings; or set `scale` of this point.",
            ),
            Accuracy::TooSmall { least_w } => Made::open(
                format!("{said}. At so little its class promises nothing."),
                format!(
                    "Repeat while {least_w:.0} W or more flow{}.",
                    if least_w <= HEATER_W {
                        ": a heater, a kettle"
                    } else {
                        "; a clamp of a smaller rating or of class 1 would tell from less on"
                    }
                ),
            ),
            Accuracy::TooLarge { most_w } => Made::open(
                format!("{said}. That is beyond what its class is promised for."),
                format!("See its rated current, and repeat while at most {most_w:.0} W flow."),
            ),
            Accuracy::Nothing => {
                Made::open(format!("{said}: nothing to compare."), "Repeat while a heater runs.")
            }
        };
        // A load that moved was another one when the instrument was read.
        let made = if made.standing == Standing::Wrong && spread > 0.02 * reads_w.abs() + 5.0 {
            Made::open(
                format!("{said}; it moved by {spread:.0} W meanwhile."),
                "Repeat beside a load that stands still.",
            )
        } else {
            made
        };
        made.read("instrument", reference_w, "W").read("point", reads_w.abs(), "W")
    }
}

#[cfg(test)]
mod tests {
    use super::flash_power_w;

    #[test]
    fn flashes_are_power() {
        // Computed from 3 600 000 / (constant x seconds), as IEC 62053-31 has it.
        for (per_kwh, seconds, watts) in
            [(1000.0, 1.2, 3000.0), (1000.0, 30.0, 120.0), (800.0, 3.6, 1250.0), (1600.0, 22.5, 100.0)]
        {
            assert!((flash_power_w(per_kwh, 1.0, seconds) - watts).abs() < 1e-9, "{per_kwh} {seconds}");
        }
    }
}
