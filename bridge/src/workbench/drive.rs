//! Runs one test: the made-up home against the one controller, second by second, in virtual time.

use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::{Home, LoadId};
use overspill_rules::input::{End, Input, OverrideRequest, RuleSet, SettingRequest};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Output, Record};
use overspill_rules::script::{LoadLog, LoadMark};
use overspill_rules::time::{Moment, Span, WallTime};

use super::case::{Before, Does, Given, Person};
use super::price::lists;
use super::story::Story;
use super::world::World;

/// What is to be run.
#[derive(Clone, Copy)]
pub(crate) struct Plan<'a> {
    pub(crate) start: WallTime,
    pub(crate) lasts: Span,
    /// How often the home moves on: a second, or longer where a long time is only looked over.
    pub(crate) step: Span,
    pub(crate) clock_unset_for: Span,
    pub(crate) given: &'a Given,
    pub(crate) people: &'a [Person],
}

/// The step of a test.
pub(crate) const SECOND: Span = Span::seconds(1);

/// Runs it. The same plan gives the same story.
pub(crate) fn run(home: &Arc<Home>, rules: &RuleSet, plan: Plan<'_>) -> Story {
    let mut drive = Drive {
        plan,
        controller: Controller::new(Arc::clone(home), kept(home, plan)),
        world: World::new(home, plan.given),
        story: Story::new(home.loads.len()),
        wake: Moment(0),
        island: false,
    };
    let believed = plan.clock_unset_for == Span::ZERO;
    drive.handle(Moment(0), Input::ClockSet { offset_ms: plan.start.0, believed });
    for list in lists(plan.given, plan.start, plan.lasts) {
        drive.handle(Moment(0), list);
    }
    drive.handle(Moment(0), Input::Rules(rules.clone()));
    let mut now = Span::ZERO;
    while now <= plan.lasts {
        if plan.step == SECOND {
            drive.wakes_before(Moment(now.0));
        }
        drive.second(now);
        now += plan.step;
    }
    drive.story.tanks = drive.world.into_tanks();
    drive.story
}

struct Drive<'a> {
    plan: Plan<'a>,
    controller: Controller,
    world: World<'a>,
    story: Story,
    wake: Moment,
    island: bool,
}

impl Drive<'_> {
    fn handle(&mut self, now: Moment, input: Input) {
        self.controller.handle(now, input);
    }

    /// What is due between two seconds.
    fn wakes_before(&mut self, next: Moment) {
        while self.wake < next && next > Moment(0) {
            let now = self.wake;
            self.handle(now, Input::Wake);
            self.drain(now);
            if self.wake <= now {
                break;
            }
        }
    }

    fn second(&mut self, now: Span) {
        let moment = Moment(now.0);
        self.world.flow(now, self.plan.step);
        self.account(now);
        let mut inputs = self.world.tells(now);
        if now == self.plan.clock_unset_for && now > Span::ZERO {
            inputs.push(Input::ClockSet { offset_ms: self.plan.start.0, believed: true });
        }
        inputs.extend(self.island_tells(now));
        inputs.extend(self.plan.people.iter().filter(|p| Span(p.at.0 / 1000 * 1000) == now).map(asks));
        if inputs.is_empty() && self.wake <= moment {
            inputs.push(Input::Wake);
        }
        if !inputs.is_empty() || now == Span::ZERO {
            inputs.into_iter().for_each(|input| self.handle(moment, input));
            self.drain(moment);
        }
    }

    fn island_tells(&mut self, now: Span) -> Option<Input> {
        let island = self.plan.given.island.as_ref()?.held_at(now.0).is_some_and(|v| v != 0.0);
        let before = std::mem::replace(&mut self.island, island);
        (before != island).then_some(Input::Island(island))
    }

    /// Energy is kept second by second, so only for steps of a second.
    fn account(&mut self, now: Span) {
        if self.plan.step != SECOND {
            return;
        }
        for (i, taken) in self.story.taken_wh.iter_mut().enumerate() {
            let watts = self.world.draw_w(LoadId(i as u16));
            taken.push(taken.last().copied().unwrap_or(0.0) + watts / 3600.0);
            let Some(draws) = self.story.draws.get_mut(i) else { continue };
            if draws.last().map(|(_, w)| *w) != Some(watts) {
                draws.push((now, watts));
            }
        }
    }

    fn drain(&mut self, now: Moment) {
        let at = Span(now.0);
        let reports_before = self.story.rules.len();
        while let Some(output) = self.controller.poll_output() {
            match output {
                Output::Command(command) => self.world.obey(at, &command),
                Output::Load(report) => {
                    if let Some(told) = self.story.loads.get_mut(usize::from(report.load.0)) {
                        told.push((at, report));
                    }
                }
                Output::Balance(report) => self.story.balances.push((at, report)),
                Output::Rule(report) => self.story.rules.push((at, report)),
                Output::Notice(notice) => self.story.notices.push((at, notice)),
                Output::Record(Record::Decision(decision)) => self.story.decisions.push((at, *decision)),
                Output::Record(_) | Output::Setting(_) => {}
                Output::WaitUntil(wake) => self.wake = wake,
            }
        }
        if self.story.rules.len() > reports_before {
            self.note_faults(at);
        }
    }

    fn note_faults(&mut self, at: Span) {
        for fault in self.controller.rule_faults() {
            if !self.story.faults.iter().any(|(_, known)| known == fault) {
                self.story.faults.push((at, fault.clone()));
            }
        }
    }
}

/// What the controller knows of the time before the start: what loads took.
fn kept(home: &Home, plan: Plan<'_>) -> Kept {
    let taken = plan.given.loads.iter().filter_map(|(load, given)| Some((*load, given.before?)));
    let log = |before: Before| {
        let ended = WallTime(plan.start.0 - before.ended.0);
        let mark = |at, energy_kwh, run_time| LoadMark { at, energy_kwh, run_time };
        let mut marks = vec![
            mark(WallTime(ended.0 - before.run_time.0), 0.0, Span::ZERO),
            mark(ended, before.kwh, before.run_time),
        ];
        if before.ended > Span::ZERO {
            marks.push(mark(plan.start, before.kwh, before.run_time));
        }
        LoadLog { marks }
    };
    let logs = taken.map(|(load, before)| (home.load(load).id.clone(), log(before))).collect();
    Kept { logs, ..Kept::default() }
}

fn asks(person: &Person) -> Input {
    let (end, by) = (person.lasts.map(End::For), Some("the test".to_owned()));
    match &person.does {
        Does::Asks { load, want, amount } => Input::Override(OverrideRequest {
            load: *load,
            want: *want,
            amount: *amount,
            end,
            by,
            id: None,
            retained: false,
        }),
        Does::Takes { load, out } => {
            Input::OutOfService { load: *load, out: *out, by: "the test".to_owned() }
        }
        Does::Sets { setting, value } => Input::Setting(SettingRequest {
            setting: *setting,
            value: Some(value.clone()),
            end,
            by,
            retained: false,
        }),
    }
}
