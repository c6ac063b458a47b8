//! The procedure of a commissioning, step by step, against a made-up house in virtual time.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use std::collections::BTreeMap;

use overspill_rules::commission::procedure::{
    Answer, Event, LoadSays, Order, Procedure, Said, Standing, StepResult, Want,
};
use overspill_rules::home::*;
use overspill_rules::input::{Input, Reading};
use overspill_rules::time::{Span, WallTime};
use support::*;

/// What the points read, at a time, with the draw of the one load: grid, solar, the load's own meter.
type Reads = fn(WallTime, f64) -> [Option<f64>; 3];

/// One home, its daemon, its device, and somebody who answers.
struct House {
    procedure: Procedure,
    now: WallTime,
    reads: Reads,
    answers: BTreeMap<&'static str, Said>,
    /// Answers are given once; then the step is skipped.
    asked: Vec<String>,
    daemon: bool,
    set_w: f64,
    draw_w: f64,
    /// The device follows so late; `None` is never.
    follows: Option<Span>,
    /// And so much later still when it is to go on.
    waits: Span,
    since: WallTime,
    orders: Vec<Order>,
    /// What was told.
    told: Vec<String>,
    /// Whether the daemon is stopped when that is asked for.
    stops: bool,
    /// The device draws this by itself for some seconds when its power comes back.
    starts: Option<(f64, Span)>,
}

/// The cautions, as an earlier sitting left them.
fn acknowledged() -> StepResult {
    StepResult {
        id: "cautions".to_owned(),
        title: "Before anything else".to_owned(),
        at: START,
        standing: Standing::Good,
        words: "Acknowledged by R. Fitter.".to_owned(),
        next: String::new(),
        readings: Vec::new(),
        proves: Vec::new(),
        facts: Vec::new(),
    }
}

impl House {
    fn new(home: &Home, reads: Reads) -> House {
        House {
            procedure: Procedure::new(home, vec![acknowledged()]),
            now: START,
            reads,
            answers: BTreeMap::new(),
            asked: Vec::new(),
            daemon: true,
            set_w: 0.0,
            draw_w: 0.0,
            follows: Some(Span::seconds(3)),
            waits: Span::ZERO,
            since: START,
            orders: Vec::new(),
            told: Vec::new(),
            stops: true,
            starts: None,
        }
    }

    fn says(mut self, key: &'static str, answer: Answer) -> House {
        self.answers.insert(key, Said::Answer(answer));
        self
    }

    fn follows(self, follows: Option<Span>) -> House {
        House { follows, ..self }
    }

    fn second(&mut self) {
        self.now = self.now + Span::seconds(1);
        self.procedure.commander(self.now, self.daemon);
        let waits = if self.set_w > 0.0 { self.waits } else { Span::ZERO };
        if self.follows.is_some_and(|late| self.now >= self.since + late + waits) {
            self.draw_w = self.set_w;
        }
        for (i, watts) in (self.reads)(self.now, self.draw_w).into_iter().enumerate() {
            let Some(value) = watts else { continue };
            let reading =
                Reading { point: PointId(i as u16), extra: None, value, device_time: None, retained: false };
            self.procedure.heard(self.now, &Input::Reading(reading));
        }
        let says = LoadSays { on: self.set_w > 0.0, setpoint_w: self.set_w, limited_by: None };
        self.procedure.load_says(self.now, LoadId(0), says);
    }

    fn obey(&mut self, order: Order) {
        self.orders.push(order);
        let wanted = if order.want == Want::On { 3000.0 } else { 0.0 };
        if wanted != self.set_w {
            (self.set_w, self.since) = (wanted, self.now);
        }
    }

    fn step(mut self, id: &str) -> (StepResult, House) {
        self.procedure.only(id).unwrap();
        for _ in 0..20_000 {
            match self.procedure.poll(self.now) {
                Event::Wait { .. } => self.second(),
                Event::Order(order) => self.obey(order),
                Event::Ask(question) => {
                    self.asked.push(question.key.clone());
                    let said = self.answers.remove(question.key.as_str()).unwrap_or(Said::Skip);
                    // Who is told to stop the daemon or to start it does.
                    self.daemon = !(self.stops && question.words.starts_with("Stop the daemon"));
                    if !self.daemon {
                        self.set_w = 0.0;
                        self.since = self.now;
                    }
                    if question.key.ends_with("power.power")
                        && let Some((watts, lasts)) = self.starts
                    {
                        (self.draw_w, self.since, self.follows) = (watts, self.now, Some(lasts));
                    }
                    self.procedure.answer(self.now, said);
                }
                Event::Result(result) => return (result, self),
                Event::Say(words) => self.told.push(words),
                Event::Begin(_) | Event::Held(_) => {}
                Event::Done => panic!("the step gave no result"),
            }
        }
        panic!("the step does not end")
    }
}

/// A base of 400 W that wavers, 1,500 W of sun, and what the load draws.
fn sound(at: WallTime, draw_w: f64) -> [Option<f64>; 3] {
    let base = 400.0 + (at.0 / 1000 % 7) as f64;
    [Some(base + draw_w - 1500.0), Some(1500.0 + (at.0 / 1000 % 3) as f64), Some(draw_w)]
}

fn heater() -> Home {
    let mut home = home(vec![water()], true);
    home.points.iter_mut().for_each(|point| point.interval = Some(Span::seconds(1)));
    home
}

#[test]
fn watching_tells_rates_ranges_and_noise() {
    let (result, _) = House::new(&heater(), sound).step("watch");
    assert_eq!(result.standing, Standing::Good, "{}", result.words);
    insta::assert_snapshot!(result.words, @"Every point is heard. grid: every 1 s, -1100 to -1094 W (export), noise 1 W. solar: every 1 s, 1500 to 1502 W, noise 1 W. water-meter: every 1 s, 0 to 0 W, noise 0 W.");
}

#[test]
fn a_silent_point_is_told_while_watching() {
    let (result, _) = House::new(&heater(), |at, w| [None, sound(at, w)[1], Some(w)]).step("watch");
    assert_eq!(result.standing, Standing::Wrong);
    insta::assert_snapshot!(result.words, @"Silent: `grid` (nothing came).");
}

#[test]
fn a_unit_and_a_sign_that_look_wrong_leave_the_watching_open() {
    let odd: Reads = |at, w| {
        let [grid, solar, load] = sound(at, w);
        [grid.map(|w| w / 1000.0), solar.map(|w| -w), load]
    };
    let (result, _) = House::new(&heater(), odd).step("watch");
    assert_eq!(result.standing, Standing::Open);
    insta::assert_snapshot!(result.words, @"`grid`: Never beyond 1.10 W, with fractions: the device may send kilowatts that are read as watts. `solar`: Down to -1502 W, where nothing flows back: the sign may be wrong.");
}

/// 230 V -6 to +10 % in Great Britain (Electricity Safety, Quality and Continuity Regulations 2002, regulation 27).
#[test]
fn the_voltage_is_held_against_the_statutory_band() {
    for (volts, standing) in
        [(216.2, Standing::Good), (216.1, Standing::Wrong), (253.0, Standing::Good), (253.1, Standing::Wrong)]
    {
        let house = House::new(&heater(), sound).says("voltage.volts", Answer::Number(volts));
        let (result, _) = house.step("voltage");
        assert_eq!(result.standing, standing, "{volts}: {}", result.words);
    }
}

#[test]
fn a_heater_that_obeys_is_seen_in_the_grid_and_given_back() {
    let (result, house) = House::new(&heater(), sound).step("load.water");
    assert_eq!(result.standing, Standing::Good, "{} {}", result.words, result.next);
    assert!(result.words.contains("The grid reading moved by 100 % of it"), "{}", result.words);
    assert_eq!(house.orders.last().unwrap().want, Want::Auto, "the override is taken back");
}

#[test]
fn a_hot_tank_is_asked_about_and_left_open() {
    let house = House::new(&heater(), sound).follows(None).says("load.water.can-draw", Answer::Done);
    let (result, house) = house.step("load.water");
    assert_eq!(result.standing, Standing::Open, "{}", result.words);
    assert_eq!(house.asked, ["load.water.can-draw"], "a tap is run once");
    assert_eq!(house.orders.last().unwrap().want, Want::Auto);
}

#[test]
fn a_contactor_that_sticks_is_wrong() {
    let sticks: Reads = |at, w| {
        let stuck = at > START + Span::seconds(90);
        sound(at, if stuck { 3000.0 } else { w })
    };
    let (result, house) = House::new(&heater(), sticks).step("load.water");
    assert_eq!(result.standing, Standing::Wrong, "{}", result.words);
    assert_eq!(house.orders.last().unwrap().want, Want::Auto);
}

/// UK Electric Vehicles (Smart Charge Points) Regulations 2021, schedule 1: a random delay, 600 s by default.
#[test]
fn the_random_delay_of_a_charge_point_is_no_disobedience() {
    let mut home = heater();
    home.loads = vec![Load { kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 14.0 }, ..car() }];
    let mut late = House::new(&home, sound);
    late.waits = Span::seconds(590);
    let (result, house) = late.step("load.car");
    assert!(house.asked.is_empty(), "{:?}", house.asked);
    assert_eq!(result.standing, Standing::Good, "{} {}", result.words, result.next);
}

#[test]
fn without_a_daemon_a_load_stays_open() {
    let mut alone = House { daemon: false, ..House::new(&heater(), sound) };
    alone.procedure.only("load.water").unwrap();
    let result = loop {
        match alone.procedure.poll(alone.now) {
            Event::Wait { .. } => alone.second(),
            Event::Ask(_) => alone.procedure.answer(alone.now, Said::Answer(Answer::Done)),
            Event::Result(result) => break result,
            Event::Order(order) => panic!("nothing is commanded past the daemon: {order:?}"),
            _ => {}
        }
    };
    assert_eq!(result.standing, Standing::Open);
}

#[test]
fn a_fallback_is_timed_when_the_daemon_stops() {
    for (follows, standing) in [(Some(Span::seconds(3)), Standing::Good), (None, Standing::Wrong)] {
        let mut house = House::new(&heater(), sound)
            .says("fallback.water.stopped.stopped", Answer::Done)
            .says("fallback.water.stopped.put-right", Answer::Done);
        house.draw_w = 3000.0;
        house.follows = follows;
        let (result, _) = house.step("fallback.water.stopped");
        assert_eq!(result.standing, standing, "{}", result.words);
    }
}

#[test]
fn slow_points_and_what_that_costs_are_told_before_hands_move() {
    let tens: Reads = |at, w| if at.0 / 1000 % 10 == 0 { sound(at, w) } else { [None; 3] };
    let mut home = heater();
    home.points.iter_mut().for_each(|point| point.interval = Some(Span::seconds(10)));
    let mut house = House::new(&home, tens);
    (0..60).for_each(|_| house.second());
    let house = house
        .says("test-load.rated-w", Answer::Number(2000.0))
        .says("test-load.rated-v", Answer::Number(230.0));
    let (_, house) = house.step("test-load");
    insta::assert_snapshot!(house.told.join("\n"), @"The slowest point, `grid`, reports every 10 s, so each quiet lasts 90 s, and whatever else switches meanwhile may leave this open. Set its device to report more often where that can be done.");
    let mut quick = House::new(&heater(), sound);
    (0..60).for_each(|_| quick.second());
    let quick = quick
        .says("test-load.rated-w", Answer::Number(2000.0))
        .says("test-load.rated-v", Answer::Number(230.0));
    assert!(quick.step("test-load").1.told.is_empty());
}

#[test]
fn a_daemon_that_goes_on_commanding_leaves_the_fallback_untimed() {
    let mut house = House::new(&heater(), sound).says("fallback.water.stopped.stopped", Answer::Done);
    house.stops = false;
    let (result, house) = house.step("fallback.water.stopped");
    assert_eq!(result.standing, Standing::Open, "{}", result.words);
    assert!(house.told.iter().any(|w| w == "The daemon is still heard."), "{:?}", house.told);
    assert!(house.told.iter().any(|w| w == "Start the daemon again."), "{:?}", house.told);
}

#[test]
fn what_a_device_does_when_its_power_comes_back_is_its_own_doing_only_until_it_is_commanded() {
    for (starts, standing) in [
        (None, Standing::Good),
        (Some((2900.0, Span::seconds(20))), Standing::Wrong),
        (Some((2900.0, Span::seconds(2))), Standing::Open),
        (Some((2900.0, Span::seconds(1000))), Standing::Wrong),
    ] {
        let mut house = House::new(&heater(), sound)
            .says("fallback.water.power.power", Answer::Done)
            .says("fallback.water.power.put-right", Answer::Done);
        house.starts = starts;
        let (result, _) = house.step("fallback.water.power");
        assert_eq!(result.standing, standing, "{starts:?}: {}", result.words);
    }
}

#[test]
fn a_network_that_was_perhaps_never_gone_is_named_beside_the_fallback() {
    let house = House::new(&heater(), sound)
        .says("fallback.water.network.network", Answer::Done)
        .says("fallback.water.network.put-right", Answer::Done);
    let (result, _) = house.step("fallback.water.network");
    assert_eq!(result.standing, Standing::Wrong);
    assert!(result.words.contains("or it never lost its network"), "{}", result.words);
}

#[test]
fn nothing_is_switched_before_the_cautions_are_acknowledged() {
    for (agreed, began) in [(true, true), (false, false)] {
        let mut procedure = Procedure::new(&heater(), Vec::new());
        procedure.only("load.water").unwrap();
        let mut begun = Vec::new();
        loop {
            match procedure.poll(START) {
                Event::Begin(step) => begun.push(step.id),
                // They can't be skipped.
                Event::Ask(question) if question.key == "cautions.name" => {
                    procedure.answer(START, Said::Skip);
                    assert!(matches!(procedure.poll(START), Event::Say(_)));
                    assert!(matches!(procedure.poll(START), Event::Ask(again) if again == question));
                    procedure.answer(START, Said::Answer(Answer::Text("R. Fitter".to_owned())));
                }
                Event::Ask(question) if question.key == "cautions.agreed" => {
                    procedure.answer(START, Said::Answer(Answer::Yes(agreed)));
                }
                Event::Ask(_) => procedure.answer(START, Said::Answer(Answer::Nothing)),
                Event::Result(result) if result.id == "cautions" => {}
                Event::Done | Event::Wait { .. } => break,
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(begun.last().is_some_and(|id| id == "load.water"), began, "{begun:?}");
        assert_eq!(procedure.goes_on(), began);
    }
}

#[test]
fn whoever_leaves_a_step_is_told_what_is_still_switched() {
    for said in [Said::Skip, Said::Repeat, Said::Back, Said::Stop] {
        let mut house = House::new(&heater(), sound)
            .says("test-load.rated-w", Answer::Number(2400.0))
            .says("test-load.rated-v", Answer::Number(230.0))
            .says("test-load.ready", Answer::Done)
            .says("test-load.on", Answer::Done);
        house.answers.insert("test-load.off", said.clone());
        house.procedure.only("test-load").unwrap();
        house.second();
        let told = loop {
            match house.procedure.poll(house.now) {
                Event::Wait { .. } => house.second(),
                Event::Order(order) => house.obey(order),
                Event::Ask(question) => {
                    let said = house.answers.remove(question.key.as_str()).unwrap();
                    house.procedure.answer(house.now, said);
                }
                Event::Say(words) => break words,
                Event::Begin(_) => {}
                other => panic!("{said:?}: {other:?}"),
            }
        };
        assert_eq!(told, "See that the test load is switched off.", "{said:?}");
        let next = house.procedure.poll(house.now);
        assert!(matches!(next, Event::Order(Order { want: Want::Auto, .. })), "{said:?}: {next:?}");
    }
}

#[test]
fn a_step_back_does_the_one_before_again_even_if_it_was_good() {
    let mut procedure = Procedure::new(&heater(), vec![acknowledged()]);
    assert!(matches!(procedure.poll(START), Event::Held(_)));
    assert!(matches!(procedure.poll(START), Event::Begin(step) if step.id == "sources"));
    assert!(matches!(procedure.poll(START), Event::Ask(_)));
    procedure.answer(START, Said::Back);
    assert!(matches!(procedure.poll(START), Event::Begin(step) if step.id == "cautions"));
}

#[test]
fn a_step_that_was_good_stays_good_when_it_is_skipped_later() {
    let good = StepResult { id: "sources".to_owned(), ..acknowledged() };
    let mut procedure = Procedure::new(&heater(), vec![acknowledged(), good]);
    procedure.only("sources").unwrap();
    assert!(matches!(procedure.poll(START), Event::Begin(_)));
    assert!(matches!(procedure.poll(START), Event::Ask(_)));
    procedure.answer(START, Said::Skip);
    assert!(matches!(procedure.poll(START), Event::Say(words) if words.contains("stays good")));
    assert_eq!(procedure.poll(START), Event::Done);
}

#[test]
fn what_is_surely_wrong_is_told_at_once_and_what_to_type_is_no_part_of_the_result() {
    let reversed: Reads = |at, w| {
        let [grid, solar, load] = sound(at, w);
        [grid.map(|w| -w), solar, load]
    };
    let mut house = House::new(&heater(), reversed).follows(None);
    (0..120).for_each(|_| house.second());
    // The load stands for the test load here: hands switch it, and no daemon.
    let hands = |key: &str| match key {
        "test-load.rated-w" => Answer::Number(3000.0),
        "test-load.rated-v" => Answer::Number(230.0),
        _ => Answer::Done,
    };
    house.procedure.only("test-load").unwrap();
    let result = loop {
        match house.procedure.poll(house.now) {
            Event::Wait { .. } => house.second(),
            Event::Ask(question) => {
                match question.key.as_str() {
                    "test-load.on" => house.draw_w = 3000.0,
                    "test-load.off" => house.draw_w = 0.0,
                    _ => {}
                }
                house.procedure.answer(house.now, Said::Answer(hands(&question.key)));
            }
            Event::Say(words) => house.told.push(words),
            Event::Result(result) => break result,
            _ => {}
        }
    };
    assert!(result.words.contains("Clear already: `grid` is the wrong way round"), "{}", result.words);
    assert!(house.told.iter().any(|words| words.contains("Type stop")), "{:?}", house.told);
    assert!(!result.words.contains("Type stop"));
}
