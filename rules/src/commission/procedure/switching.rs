//! Switching something by hand, again and again, with a window of quiet before and after: the test load, the roof.

use crate::home::LoadId;
use crate::time::{Span, WallTime};

use super::super::{Act, Amount, Unusable, What};
use super::form::{Answers, number};
use super::machine::{Machine, Move, Order, Want};
use super::often::Often;
use super::question::{Answer, Ask, Question};
use super::result::Made;
use super::world::World;

/// How long a hand may take between the prompt and Enter: longer, and the house may have moved meanwhile.
const HAND: Span = Span::seconds(30);

/// Loads are held off for this long at most, whatever becomes of this program.
const HELD: Span = Span::minutes(60);

/// How long after Enter a switching is complete.
const SETTLE: Span = Span::seconds(5);

/// An inverter comes back after some minutes (1 to 5, by the grid code) and ramps up.
const COMES_BACK: Span = Span::minutes(10);

/// Of what the roof gave before, this share must be back before it is switched off again.
const BACK_SHARE: f64 = 0.7;

/// Less than this from a roof, in watts, proves nothing.
const ROOF_LEAST_W: f64 = 300.0;

/// Switchings that failed before the step is left open.
const MOST_FAILED: usize = 4;

/// Said beside what is surely wrong.
const MEND_FIRST: &str = "Something is wrong with a point, as told below. Type stop at the next question to mend that first, or go on: more steps may tell more.";

/// What happens with the switch.
enum Stage {
    Asking,
    /// The person is on the way to the switch.
    Going,
    /// Quiet before a switching.
    Before(WallTime),
    /// The prompt was given then.
    Hand(WallTime),
    /// Quiet after it.
    After(WallTime),
    /// The inverter starts again.
    Returning(WallTime),
    /// It is back, and nothing more is switched.
    Settling(WallTime),
    Over,
}

/// Something switched by hand.
pub(super) struct Switching {
    id: String,
    what: What,
    questions: Vec<Question>,
    answers: Answers,
    stage: Stage,
    on: bool,
    done: usize,
    often: Often,
    failed: usize,
    before: (WallTime, WallTime),
    roof_w: Option<f64>,
    say: Option<String>,
    warned: bool,
    /// Loads that are held off meanwhile, so that the rules don't move them; and orders still to be given.
    held: Vec<LoadId>,
    orders: Vec<Order>,
}

impl Switching {
    /// The test load on one phase.
    pub(super) fn test_load(id: &str, phase: Option<u8>) -> Switching {
        let watts = Ask::Number { unit: "W", low: 500.0, high: 4000.0, optional: false };
        let volts = Ask::Number { unit: "V", low: 100.0, high: 260.0, optional: false };
        let questions = vec![
            Question::new(format!("{id}.rated-w"), "What is printed on the test load?", watts),
            Question::new(format!("{id}.rated-v"), "At how many volts?", volts),
        ];
        Switching::new(id, What::TestLoad(phase), questions)
    }

    /// The roof at its own isolator.
    pub(super) fn roof(id: &str) -> Switching {
        let watts = Ask::Number { unit: "W", low: 0.0, high: 100_000.0, optional: true };
        let words = "What does the inverter's own display say it gives now? Enter where it has none";
        let questions = vec![Question::new(format!("{id}.display-w"), words, watts)];
        Switching::new(id, What::SolarOff, questions)
    }

    fn new(id: &str, what: What, questions: Vec<Question>) -> Switching {
        Switching {
            id: id.to_owned(),
            what,
            questions,
            answers: Vec::new(),
            stage: Stage::Asking,
            on: what == What::SolarOff,
            done: 0,
            often: Often::of(what),
            failed: 0,
            before: (WallTime(0), WallTime(0)),
            roof_w: None,
            say: None,
            warned: false,
            held: Vec::new(),
            orders: Vec::new(),
        }
    }

    fn is_roof(&self) -> bool {
        self.what == What::SolarOff
    }

    fn order_all(&mut self, world: &World, want: Want) {
        let loads = 0..world.home.loads.len();
        self.orders = loads.map(|i| Order { load: LoadId(i as u16), want, lasts: HELD }).collect();
    }

    fn amount(&self, world: &World) -> Amount {
        if self.is_roof() {
            return match number(&self.answers, 0) {
                Some(watts) if watts > 0.0 => Amount::read(watts, 0.1),
                _ => Amount::unknown(self.roof_w.unwrap_or(1000.0)),
            };
        }
        let volts = world.volts().map_or(world.home.supply.volts, |(_, v)| v);
        let rated_w = number(&self.answers, 0).unwrap_or(2000.0);
        Amount::resistive(rated_w, number(&self.answers, 1).unwrap_or(230.0), volts)
    }

    /// What the roof's points read now, the largest by size: a wrong clamp must not hide the sun.
    fn roof_now(&self, world: &World) -> Option<f64> {
        let of_roof = world.home.points_measuring(crate::home::Measures::Solar);
        of_roof.filter_map(|p| world.fresh(p)).map(f64::abs).max_by(f64::total_cmp)
    }

    /// Asked once the hand can reach the switch.
    fn place(&self) -> Question {
        let place =
            if self.is_roof() { "at the roof's isolator" } else { "with the test load plugged in and off" };
        let words = format!(
            "Press Enter when you stand {place}, with this screen at hand. From here on switch nothing else."
        );
        Question::done(format!("{}.ready", self.id), words)
    }

    fn prompt(&self, on: bool) -> Question {
        let (key, words) = match (self.is_roof(), on) {
            (false, false) => ("on", "Switch the test load ON now, and press Enter at once."),
            (false, true) => ("off", "Switch the test load OFF now, and press Enter at once."),
            (true, true) => ("off", "Switch the roof OFF at its isolator now, and press Enter at once."),
            (true, false) => ("on", "Switch the roof ON again, and press Enter."),
        };
        Question::done(format!("{}.{key}", self.id), words)
    }

    /// The switching just made, from the prompt to Enter.
    fn act(&mut self, world: &mut World, prompted: WallTime) {
        self.on = !self.on;
        let took = world.now - prompted;
        let mut amount = self.amount(world);
        let judged = !(self.is_roof() && self.on);
        if judged && took > HAND {
            // It happened, but is not counted: nobody knows what else did meanwhile.
            amount.watts = 0.0;
            self.failed += 1;
            self.say = Some(format!(
                "That took {took}: too long to be counted, since the house may have moved meanwhile. Press Enter within {HAND}."
            ));
        } else if judged {
            self.done += 1;
        }
        let settle = took + SETTLE;
        world.acts.push(Act { what: self.what, on: self.on, at: prompted, settle, amount });
    }

    /// How many points answered clearly, and how many that were heard did not.
    fn seen(&self, world: &World) -> (usize, usize) {
        let points = world.diagnosis().points;
        let all = points.iter().flat_map(|p| &p.responses).filter(|r| r.what == self.what);
        let heard: Vec<bool> =
            all.filter(|r| r.share != Err(Unusable::Silent)).map(|r| r.share.is_ok()).collect();
        let clear = heard.iter().filter(|clear| **clear).count();
        (clear, heard.len() - clear)
    }

    /// Whether more would tell nothing more, or is too much to ask.
    fn is_enough(&self, world: &World) -> bool {
        self.failed >= MOST_FAILED || self.often.is_enough(self.done, self.seen(world).1 == 0)
    }

    fn finish(&self, world: &World) -> Move {
        let switched = super::paper::count(self.done, "switching");
        let next = "Repeat this step when the house is quieter and the sky steadier.";
        let made = match self.seen(world) {
            (1.., 0) if self.done >= self.often.least => Made::good(format!(
                "{switched}, seen by every point that reports. The verdict on each point follows."
            )),
            (0, _) => Made::open(
                format!("{switched}, and no point's answer can be told from what else moved."),
                next,
            ),
            (seen, blurred) => {
                Made::open(format!("{switched}. {seen} of {} points answered clearly.", seen + blurred), next)
            }
        };
        Move::Finish(with_warning(world, made))
    }
}

impl Machine for Switching {
    fn next(&mut self, world: &mut World) -> Move {
        if let Some(order) = self.orders.pop() {
            return Move::Order(order);
        }
        if let Some(words) = self.say.take() {
            return Move::Say(words);
        }
        if let Some(question) = self.questions.get(self.answers.len()) {
            return Move::Ask(question.clone());
        }
        match self.stage {
            Stage::Asking => self.ready(world),
            Stage::Going => Move::Ask(self.place()),
            Stage::Before(until) if world.now < until => {
                Move::Wait(until, "quiet before the switching".to_owned())
            }
            Stage::Before(until) => {
                self.before = (WallTime(until.0 - world.window().0), until);
                self.stage = Stage::Hand(world.now);
                Move::Ask(self.prompt(self.on))
            }
            Stage::Hand(_) => Move::Ask(self.prompt(self.on)),
            Stage::After(until) if world.now < until => Move::Wait(until, "the points to answer".to_owned()),
            Stage::After(until) => self.after(world, until),
            Stage::Returning(until) => self.returning(world, until),
            Stage::Settling(until) if world.now < until => {
                Move::Wait(until, "the roof to stand still again".to_owned())
            }
            Stage::Settling(_) | Stage::Over if !self.held.is_empty() => {
                self.held.clear();
                self.order_all(world, Want::Auto);
                self.next(world)
            }
            Stage::Settling(_) | Stage::Over if !self.warned && !super::points::wrong(world).is_empty() => {
                self.warned = true;
                Move::Say(MEND_FIRST.to_owned())
            }
            Stage::Settling(_) | Stage::Over => self.finish(world),
        }
    }

    fn asks(&self) -> Vec<Question> {
        let prompts = [self.place(), self.prompt(self.on), self.prompt(!self.on)];
        self.questions.iter().cloned().chain(prompts).collect()
    }

    fn holds(&self) -> Vec<LoadId> {
        self.held.clone()
    }

    fn left_switched(&self) -> Option<String> {
        // A hand may have moved since the prompt, whatever was pressed.
        let asked = self.on != self.is_roof() || matches!(self.stage, Stage::Hand(_));
        let words = if self.is_roof() {
            "See that the roof is switched on again at its isolator."
        } else {
            "See that the test load is switched off."
        };
        asked.then(|| words.to_owned())
    }

    fn answer(&mut self, world: &mut World, answer: Answer) {
        if self.answers.len() < self.questions.len() {
            self.answers.push(answer);
            return;
        }
        match self.stage {
            Stage::Going => {
                if world.is_commanded() {
                    self.order_all(world, Want::Off);
                    self.held = self.orders.iter().map(|o| o.load).collect();
                }
                self.stage = Stage::Before(world.now + world.window() + Span::seconds(3));
            }
            Stage::Hand(prompted) => {
                self.act(world, prompted);
                let until = world.now + SETTLE + world.window() + Span::seconds(1);
                self.stage = if self.is_roof() && self.on {
                    Stage::Returning(world.now + COMES_BACK)
                } else {
                    Stage::After(until)
                };
            }
            _ => {}
        }
    }
}

impl Switching {
    fn ready(&mut self, world: &mut World) -> Move {
        if self.is_roof() {
            let now = number(&self.answers, 0).filter(|w| *w > 0.0).or(self.roof_now(world)).unwrap_or(0.0);
            if now < ROOF_LEAST_W {
                return Move::Finish(Made::open(
                    format!("The roof gives {now:.0} W: too little to see it go."),
                    format!(
                        "Come back when it gives {ROOF_LEAST_W:.0} W; or let recorded history complete this."
                    ),
                ));
            }
            self.roof_w = self.roof_now(world);
        }
        self.say = slow(world);
        self.stage = Stage::Going;
        self.next(world)
    }

    fn after(&mut self, world: &mut World, until: WallTime) -> Move {
        if self.on && !self.is_roof() {
            let after = (WallTime(until.0 - world.window().0), until);
            world.note_power_factors(self.before, after);
        }
        // Nothing is left switched the wrong way round: the load ends off, the roof on.
        if !self.is_enough(world) || self.on != self.is_roof() {
            self.stage = Stage::Hand(world.now);
            // The window after one switching is the window before the next.
            self.before = (WallTime(until.0 - world.window().0), until);
            return Move::Ask(self.prompt(self.on));
        }
        self.stage = Stage::Over;
        self.next(world)
    }

    fn returning(&mut self, world: &mut World, until: WallTime) -> Move {
        let wanted = self.roof_w.unwrap_or(0.0) * BACK_SHARE;
        if self.roof_now(world).is_some_and(|w| w >= wanted && w > 0.0) {
            let ramp = Span::seconds(30);
            // What comes next shall find the roof at work again.
            self.stage = if self.is_enough(world) {
                Stage::Settling(world.now + ramp + world.window())
            } else {
                Stage::Before(world.now + ramp + world.window())
            };
            return self.next(world);
        }
        if world.now < until {
            return Move::Wait(until, "the inverter to start again (1 to 5 minutes)".to_owned());
        }
        self.stage = Stage::Over;
        self.say = Some(format!("The roof did not come back within {COMES_BACK}."));
        self.next(world)
    }
}

/// Why each wait is long, and what would make it shorter.
fn slow(world: &World) -> Option<String> {
    let (name, interval) = world.slowest()?;
    let window = world.window();
    Some(format!(
        "The slowest point, `{name}`, reports every {interval}, so each quiet lasts {window}, and whatever else switches meanwhile may leave this open. Set its device to report more often where that can be done."
    ))
}

/// Tells at once of a point that is surely wrong: nobody should go on for half an hour before that is mended.
fn with_warning(world: &World, mut made: Made) -> Made {
    let wrong = super::points::wrong(world);
    if !wrong.is_empty() {
        made.words = format!("{} Clear already: {}.", made.words, wrong.join("; "));
    }
    made
}
