//! The procedure: what the installer does, step by step, and what comes of each.
//!
//! It is a state machine without a clock and without a way to the outside: whoever drives it (a terminal, a web page)
//! hands in what was heard, what was answered and what time it is, and does what it gives out.
//!
//! ```text
//! let mut procedure = Procedure::new(&home, earlier);
//! loop {
//!     match procedure.poll(now) {
//!         Event::Ask(question) => procedure.answer(now, said),
//!         Event::Wait { until, .. } => ..,   // hand in what is heard meanwhile, then poll again
//!         Event::Order(order) => ..,         // send it as an override
//!         Event::Result(result) => ..,       // keep it
//!         ..
//!     }
//! }
//! ```

mod compare;
mod daylight;
mod fallback;
mod form;
mod load;
mod look;
mod machine;
mod often;
mod paper;
mod plan;
mod points;
mod question;
mod result;
mod switching;
mod voltage;
mod watch;
mod world;

use crate::home::{Home, LoadId, PointId};
use crate::input::Input;
use crate::time::{Span, WallTime};

use super::{Diagnosis, Site};
pub use compare::flash_power_w;
pub use look::Look;
use machine::{Machine, Move};
pub use machine::{Order, Want};
pub use often::Often;
use plan::Kind;
pub use plan::Step;
pub use question::{Answer, Ask, HELP, Question, Said};
use result::Made;
pub use result::{Fact, Read, Standing, StepResult};
pub use world::LoadSays;
use world::World;

/// Why a step that was left out is open.
const SKIPPED: &str = "It was skipped.";

/// What is next with a step that was left out.
pub const DO_IT: &str = "Do it when the time is right: the same command asks for it again.";

/// What the procedure gives out.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A step begins.
    Begin(Step),
    /// A step was good in an earlier sitting, and still is.
    Held(StepResult),
    /// It asks; answer with [`Procedure::answer`].
    Ask(Question),
    /// It waits; poll again when something was heard, and at `until`.
    Wait {
        /// When the wait is over at the latest.
        until: WallTime,
        /// For what.
        words: String,
    },
    /// An override to send.
    Order(Order),
    /// Something to tell.
    Say(String),
    /// A step is over.
    Result(StepResult),
    /// All steps are over.
    Done,
}

/// One commissioning.
pub struct Procedure {
    world: World,
    steps: Vec<Step>,
    results: Vec<StepResult>,
    at: usize,
    /// Only this step.
    only: Option<usize>,
    /// The next step is done even if it was good before.
    anew: bool,
    at_work: Option<Box<dyn Machine>>,
    asked: bool,
    /// Overrides to take back.
    left: Vec<LoadId>,
    /// Something to tell before anything else.
    say: Option<String>,
    /// A result to give out after those.
    made: Option<Made>,
    stopped: bool,
}

impl Procedure {
    /// The procedure of a home, with the results that still hold from earlier sittings.
    pub fn new(home: &Home, earlier: Vec<StepResult>) -> Procedure {
        let site = Site::of(home);
        let steps = plan::steps(home, &site);
        let mut world = World::new(home, site);
        world.daylight =
            earlier.iter().filter(|r| r.id == "daylight").flat_map(|r| r.readings.clone()).collect();
        Procedure {
            world,
            steps,
            results: earlier,
            at: 0,
            only: None,
            anew: false,
            at_work: None,
            asked: false,
            left: Vec::new(),
            say: None,
            made: None,
            stopped: false,
        }
    }

    /// All steps, in their order.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// The steps that are still to be done, in their order.
    pub fn to_do(&self) -> Vec<&Step> {
        self.steps.iter().filter(|s| self.held(s).is_none()).collect()
    }

    /// What each step from here on will ask, as far as that is known before it begins: at least this where it is reached.
    pub fn asks(&self) -> Vec<Vec<Question>> {
        let last = self.only.unwrap_or(self.steps.len());
        let place = |(i, step): (usize, &Step)| {
            let due = i >= self.at && i <= last && (self.only == Some(i) || self.held(step).is_none());
            due.then(|| step.machine(&self.world.home).asks())
        };
        self.steps.iter().enumerate().filter_map(place).collect()
    }

    /// Who does the work, for results of steps; told by the cautions' step otherwise.
    pub fn by(&mut self, name: &str) {
        name.clone_into(&mut self.world.by);
    }

    /// Who does the work; empty while not told.
    pub fn who(&self) -> &str {
        &self.world.by
    }

    /// Does this step only, even if it was good before; a step with a caution only after the cautions were acknowledged.
    ///
    /// # Errors
    /// When there is no such step: the ids that there are.
    pub fn only(&mut self, id: &str) -> Result<(), String> {
        let at = self.place(id)?;
        self.at = self.guarded(at);
        self.only = Some(at);
        Ok(())
    }

    fn place(&self, id: &str) -> Result<usize, String> {
        self.steps.iter().position(|s| s.id == id).ok_or_else(|| {
            let ids: Vec<&str> = self.steps.iter().map(|s| s.id.as_str()).collect();
            format!("there is no step `{id}`; the steps are: {}", ids.join(", "))
        })
    }

    /// Where to begin for the step at this place: the cautions come before a caution.
    fn guarded(&self, at: usize) -> usize {
        let guarded = self.steps.get(at).is_some_and(|s| !s.cautions.is_empty());
        if guarded && !self.is_acknowledged() { 0 } else { at }
    }

    fn is_acknowledged(&self) -> bool {
        let cautions = self.steps.iter().find(|s| s.kind == Kind::Cautions);
        cautions.and_then(|s| self.result(&s.id)).is_some_and(|r| r.standing == Standing::Good)
    }

    /// What a message said.
    pub fn heard(&mut self, now: WallTime, input: &Input) {
        self.world.take(now, input);
    }

    /// What the daemon says of a load.
    pub fn load_says(&mut self, now: WallTime, load: LoadId, says: LoadSays) {
        self.world.load_says(now, load, says);
    }

    /// Whether the daemon is there.
    pub fn commander(&mut self, now: WallTime, up: bool) {
        self.world.commander(now, up);
    }

    /// The newest reading of each point, in watts, where it is fresh.
    pub fn live(&self) -> impl Iterator<Item = (&str, Option<f64>)> + '_ {
        let points = self.world.home.points.iter().enumerate();
        points.map(|(i, p)| (p.id.as_str(), self.world.fresh(PointId(i as u16))))
    }

    /// What is held of all points by what was switched in this sitting: as it was when they were judged, or as it would
    /// be now while they were not.
    pub fn diagnosis(&self) -> Diagnosis {
        self.world.judged.clone().unwrap_or_else(|| self.world.diagnosis())
    }

    /// The site that is judged.
    pub fn site(&self) -> &Site {
        &self.world.site
    }

    /// What comes next.
    pub fn poll(&mut self, now: WallTime) -> Event {
        self.world.now = self.world.now.max(now);
        if let Some(words) = self.say.take() {
            return Event::Say(words);
        }
        if let Some(load) = self.left.pop() {
            return Event::Order(Order { load, want: Want::Auto, lasts: Span::ZERO });
        }
        if let Some(made) = self.made.take() {
            return self.over(made);
        }
        if let Some(machine) = self.at_work.as_mut() {
            return match machine.next(&mut self.world) {
                Move::Ask(question) => {
                    self.asked = true;
                    Event::Ask(question)
                }
                Move::Wait(until, words) => Event::Wait { until, words },
                Move::Order(order) => Event::Order(order),
                Move::Say(words) => Event::Say(words),
                Move::Finish(made) => self.over(made),
            };
        }
        self.begin()
    }

    fn begin(&mut self) -> Event {
        if let Some(only) = self.only
            && self.at < only
            && self.is_acknowledged()
        {
            self.at = only;
        }
        let past = self.only.is_some_and(|only| self.at > only);
        let Some(step) = self.steps.get(self.at).cloned().filter(|_| !past && !self.stopped) else {
            return Event::Done;
        };
        let anew = std::mem::take(&mut self.anew) || self.only == Some(self.at);
        if !anew && let Some(held) = self.held(&step) {
            self.at += 1;
            return Event::Held(held);
        }
        // What was switched in a former go may have been pressed wrongly: this one stands for itself.
        self.world.forget(&step.kind);
        self.at_work = Some(step.machine(&self.world.home));
        Event::Begin(step)
    }

    /// The good result of an earlier sitting, where it still stands by itself. What was switched by hand stands only with
    /// the verdicts on the points, since its readings are not kept.
    fn held(&self, step: &Step) -> Option<StepResult> {
        let good =
            |id: &str| self.results.iter().find(|r| r.id == id && r.standing == Standing::Good).cloned();
        let held = good(&step.id)?;
        let by_hand = matches!(step.kind, Kind::TestLoad(_) | Kind::Roof);
        let points = self.steps.iter().filter(|s| matches!(s.kind, Kind::Point(_)));
        let proved = points.map(|s| &s.id).all(|id| good(id).is_some());
        (!by_hand || proved).then_some(held)
    }

    fn over(&mut self, made: Made) -> Event {
        self.at_work = None;
        let Some(step) = self.steps.get(self.at) else { return Event::Done };
        let result = StepResult {
            id: step.id.clone(),
            title: step.title.clone(),
            at: self.world.now,
            standing: made.standing,
            words: made.words,
            next: made.next,
            readings: made.readings,
            proves: step.proves.clone(),
            facts: made.facts,
        };
        // Nobody switches anything who did not acknowledge the cautions.
        if step.kind == Kind::Cautions && result.standing != Standing::Good {
            self.stopped = true;
        }
        self.results.retain(|r| r.id != result.id);
        self.results.push(result.clone());
        self.at += 1;
        Event::Result(result)
    }

    /// Takes what was said: an answer to the question asked last, or, at any time, what shall become of this step.
    pub fn answer(&mut self, now: WallTime, said: Said) {
        self.world.now = self.world.now.max(now);
        let asked = std::mem::take(&mut self.asked);
        let is_cautions = self.steps.get(self.at).is_some_and(|s| s.kind == Kind::Cautions);
        match said {
            Said::Answer(answer) => {
                if asked && let Some(machine) = self.at_work.as_mut() {
                    machine.answer(&mut self.world, answer);
                }
            }
            Said::Repeat => self.restart(),
            Said::Back => {
                self.restart();
                if self.only.is_none() && self.at > 0 {
                    self.at -= 1;
                    self.anew = true;
                }
            }
            Said::Skip if is_cautions => {
                self.say = Some("The cautions can't be skipped. Type stop to leave.".to_owned());
            }
            Said::Skip => self.skip(),
            Said::Stop => self.stop(),
        }
    }

    /// Leaves the step at work open; what was proved before stays proved.
    fn skip(&mut self) {
        if self.at_work.is_none() {
            return;
        }
        self.leave();
        let id = self.steps.get(self.at).map(|s| s.id.clone()).unwrap_or_default();
        if self.result(&id).is_some_and(|r| r.standing == Standing::Good) {
            self.at_work = None;
            self.at += 1;
            let put_right = self.say.take().map(|words| format!("{words} ")).unwrap_or_default();
            self.say = Some(format!("{put_right}It stays good, as it was before."));
        } else {
            self.made = Some(Made::open(SKIPPED, DO_IT));
        }
    }

    fn restart(&mut self) {
        self.leave();
        self.at_work = None;
    }

    /// What is asked after a step that was not good.
    pub fn go_on() -> Question {
        Question::done("again", "Press Enter to go on, or type repeat to do this step again.")
    }

    /// Does the step that is over again.
    pub fn again(&mut self) {
        if self.at_work.is_none() {
            self.at = self.at.saturating_sub(1);
        }
    }

    /// Whether it goes on after this step.
    pub fn goes_on(&self) -> bool {
        !self.stopped
    }

    /// Ends here: the step at work stays as it was; the next polls tell what hands must put right, and take back every
    /// override of it.
    pub fn stop(&mut self) {
        self.leave();
        self.at_work = None;
        self.stopped = true;
    }

    fn leave(&mut self) {
        if let (Some(machine), Some(step)) = (&self.at_work, self.steps.get(self.at)) {
            self.left.extend(machine.holds());
            self.say = machine.left_switched();
            self.world.forget(&step.kind);
        }
    }

    /// The result of a step, of this sitting or an earlier one.
    pub fn result(&self, id: &str) -> Option<&StepResult> {
        self.results.iter().find(|r| r.id == id)
    }
}
