//! Laws that hold whatever comes in. A few hundred cases by default; `PROPTEST_CASES` asks for more.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use std::collections::BTreeMap;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use proptest::prelude::*;
use support::*;

/// Loads: car (charge point, garage), water (modulated, garage), pump (switch). All fall back to off, so that the law
/// of freshness is plain. Points: grid, solar, then a meter of the car, and one of the water heater where `metered`.
fn law_home(metered: bool) -> Home {
    let in_garage = |load: Load| Load { circuit: Some(CircuitId(0)), ..load };
    let loads = vec![
        in_garage(Load { min_on: Span::minutes(2), min_off: Span::minutes(3), ..car() }),
        in_garage(Load {
            min_on: Span::minutes(1),
            min_off: Span::seconds(90),
            start_after: Span::seconds(20),
            ..water()
        }),
        Load {
            min_on: Span::minutes(2),
            min_off: Span::minutes(2),
            start_after: Span::seconds(30),
            ..pump()
        },
    ];
    let mut home = home(loads, metered);
    home.circuits = vec![Circuit { id: "garage".into(), rating_a: 40.0, within: None }];
    home.restart_gap = Span::seconds(20);
    home.inputs = vec![OtherInput { stale_after: Span::minutes(2), ..ask_input("ask") }];
    home
}

fn rule_sets() -> Vec<RuleSet> {
    let spare = [
        ("a", r#"home.load("car").take_spare("spare");"#),
        ("b", r#"home.load("water").take_spare(#{ keep_w: 100 }, "spare");"#),
        ("c", r#"home.load("pump").take_spare(#{ grid_up_to_w: 300 }, "spare");"#),
    ];
    let run = [
        (
            "a",
            r#"if home.input("ask") > 0.5 { home.load("car").run("asked"); } else { home.load("car").run_at_w(home.input("ask") * 9000.0, "some"); }"#,
        ),
        (
            "b",
            r#"if home.solar_w > 2000.0 { home.load("water").run("sun"); } else { home.load("water").take_spare("rest"); }"#,
        ),
        ("c", r#"if sustained("s", home.grid_w < 0.0, "1m") { home.load("pump").run("export"); }"#),
    ];
    let sometimes_bad = [
        (
            "a",
            r#"this.n = (this.get("n") ?? 0) + 1; if this.n % 5 == 3 { throw "no"; } home.load("car").run_at_a(16, "on");"#,
        ),
        (
            "b",
            r#"if home.grid_w > 3000.0 { loop { } } home.load("water").run_at_w(home.grid_w.abs() / (home.solar_w - home.solar_w), "x");"#,
        ),
        (
            "c",
            r#"if home.clock.minute % 2.0 == 0.0 { home.load("pump").stop("even"); } else { home.load("pump").run("odd"); }"#,
        ),
    ];
    let hostile = [
        ("a", r#"let t = "x"; let it = home.load("car"); loop { t += t; }"#),
        ("b", "home.load(\"water\").run(;"),
        ("c", r#"home.load("pump").take_spare("spare");"#),
    ];
    let two_minds = [
        ("a", r#"if home.or("ask", 0.0) > 0.5 { home.load("car").stop("no"); }"#),
        (
            "b",
            r#"home.load("car").take_spare(#{ at_least_w: 2000, at_most_w: 4000 }, "spare"); home.load("pump").run("x");"#,
        ),
        (
            "c",
            r#"if home.load("car").on { home.load("water").stop("car first"); } else { home.load("water").run_at_w(2000, "x"); }"#,
        ),
    ];
    vec![rules(&spare), rules(&run), rules(&sometimes_bad), rules(&hostile), rules(&two_minds), rules(&[])]
}

/// One thing that happens, some time after the one before.
#[derive(Debug, Clone)]
enum Event {
    /// Grid, solar and meters report together; the loads obey and the base is so much.
    World {
        base: f64,
        solar: f64,
    },
    /// Grid and solar report anything at all.
    Joint {
        grid: f64,
        solar: f64,
    },
    One {
        point: u16,
        value: f64,
    },
    Odd {
        point: u16,
        value: f64,
        age_s: Option<i64>,
        retained: bool,
    },
    Ask(f64),
    Wish {
        load: u16,
        want: Want,
        amount: Option<Amount>,
        minutes: i64,
        retained: bool,
    },
    Service {
        load: u16,
        out: bool,
        named: bool,
    },
    Rules(usize),
    Clock {
        step_s: i64,
        believed: bool,
    },
    Island(bool),
    Role(Role),
    State {
        load: u16,
        plugged: Option<bool>,
        ready: Option<bool>,
    },
    Reconnected,
    Unreadable(u16),
    Silence,
    /// The program ends, in order or not, and is back after a while.
    Restart {
        pause_s: u32,
        believed: bool,
        set: usize,
    },
}

fn odd_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        Just(f64::MAX),
        Just(1e9),
        Just(-0.0),
        -40_000.0..40_000.0
    ]
}

fn event() -> impl Strategy<Value = Event> {
    let want = prop_oneof![Just(Want::On), Just(Want::Off), Just(Want::Auto)];
    let amount = prop::option::of(prop_oneof![
        (0.0..9000.0).prop_map(Amount::Watts),
        (0.0..40.0).prop_map(Amount::Amps),
        odd_number().prop_map(Amount::Watts)
    ]);
    prop_oneof![
        30 => (100.0..14_000.0, 0.0..9000.0).prop_map(|(base, solar)| Event::World { base, solar }),
        20 => (100.0..3000.0, 3000.0..9000.0).prop_map(|(base, solar)| Event::World { base, solar }),
        10 => (-15_000.0..15_000.0, -20.0..9000.0).prop_map(|(grid, solar)| Event::Joint { grid, solar }),
        6 => (0_u16..6, -9000.0..9000.0).prop_map(|(point, value)| Event::One { point, value }),
        4 => (0_u16..9, odd_number(), prop::option::of(-700_i64..700), any::<bool>())
            .prop_map(|(point, value, age_s, retained)| Event::Odd { point, value, age_s, retained }),
        4 => (0.0..1.0).prop_map(Event::Ask),
        5 => (0_u16..4, want, amount, -5_i64..1600, prop::bool::weighted(0.1))
            .prop_map(|(load, want, amount, minutes, retained)| Event::Wish { load, want, amount, minutes, retained }),
        1 => (0_u16..4, any::<bool>(), any::<bool>())
            .prop_map(|(load, out, named)| Event::Service { load, out, named }),
        3 => (0_usize..6).prop_map(Event::Rules),
        1 => (-90_000_i64..90_000, prop::bool::weighted(0.8))
            .prop_map(|(step_s, believed)| Event::Clock { step_s, believed }),
        1 => any::<bool>().prop_map(Event::Island),
        1 => prop_oneof![Just(Role::Watch), Just(Role::Command)].prop_map(Event::Role),
        1 => (0_u16..4, prop::option::of(any::<bool>()), prop::option::of(any::<bool>()))
            .prop_map(|(load, plugged, ready)| Event::State { load, plugged, ready }),
        1 => Just(Event::Reconnected),
        1 => (0_u16..4).prop_map(Event::Unreadable),
        3 => Just(Event::Silence),
        1 => (0_u32..400, prop::bool::weighted(0.7), 0_usize..6)
            .prop_map(|(pause_s, believed, set)| Event::Restart { pause_s, believed, set }),
    ]
}

fn stream() -> impl Strategy<Value = (bool, usize, Vec<(u32, Event)>)> {
    let gap = prop_oneof![
        2 => Just(0_u32),
        12 => 100_u32..12_000,
        2 => 12_000_u32..70_000,
    ];
    (any::<bool>(), 0_usize..6, prop::collection::vec((gap, event()), 1..120))
}

/// The driver with the laws that are looked at after every drain.
struct Court {
    bench: Bench,
    metered: bool,
    offset_ms: i64,
    believed: bool,
    /// When the grid reading goes stale.
    stale_at: Option<Moment>,
    newest_grid: Option<Moment>,
    base_w: Option<f64>,
    role: Role,
    on_since: BTreeMap<u16, Moment>,
    off_since: BTreeMap<u16, Moment>,
    on: BTreeMap<u16, bool>,
    setpoints: BTreeMap<u16, f64>,
    persons_off: BTreeMap<u16, bool>,
}

impl Court {
    fn new(metered: bool, set: usize) -> Court {
        let mut court = Court {
            bench: Bench::bare(law_home(metered), Kept::default()),
            metered,
            offset_ms: START.0,
            believed: true,
            stale_at: None,
            newest_grid: None,
            base_w: None,
            role: Role::Command,
            on_since: BTreeMap::new(),
            off_since: BTreeMap::new(),
            on: BTreeMap::new(),
            setpoints: BTreeMap::new(),
            persons_off: BTreeMap::new(),
        };
        court.give(vec![
            Input::ClockSet { offset_ms: START.0, believed: true },
            Input::Rules(rule_sets().swap_remove(set)),
        ]);
        court
    }

    fn setpoint(&self, load: u16) -> f64 {
        self.setpoints.get(&load).copied().unwrap_or(0.0)
    }

    fn give(&mut self, inputs: Vec<Input>) {
        let now = self.bench.now;
        for input in &inputs {
            self.note(input, now);
        }
        let from = self.bench.outputs.len();
        self.bench.inputs(inputs);
        self.judge(from);
    }

    /// What the laws need to know of an input: whether it is a grid reading that counts.
    fn note(&mut self, input: &Input, now: Moment) {
        let Input::Reading(r) = input else { return };
        let counts = r.point == PointId(0) && r.value.is_finite() && r.value.abs() <= 30_000.0;
        if !counts || r.extra.is_some() {
            return;
        }
        let age = match r.device_time {
            Some(device) if self.believed => Some((now.0 + self.offset_ms) - device.0),
            _ => None,
        };
        let own = match age {
            Some(age) if age.abs() <= 300_000 => Some(now - Span(age.max(0))),
            _ if r.retained => None,
            _ => Some(now),
        };
        let Some(own) = own.filter(|own| self.newest_grid.is_none_or(|newest| *own >= newest)) else {
            return;
        };
        self.newest_grid = Some(own);
        self.stale_at = Some(own + Span::seconds(30));
    }

    fn go_to(&mut self, at: Moment) {
        while self.bench.wake <= at {
            self.bench.now = self.bench.wake;
            self.give(vec![Input::Wake]);
        }
        self.bench.now = at;
    }

    fn apply(&mut self, event: &Event) {
        let now = self.bench.now;
        let inputs = match event.clone() {
            Event::World { base, solar } => {
                let drawn: f64 = (0..3).map(|i| self.setpoint(i)).sum();
                let mut inputs = Vec::new();
                if self.metered {
                    inputs.extend((0..3).map(|i| Bench::reading(2 + i, self.setpoint(i))));
                }
                inputs.extend([Bench::reading(1, solar), Bench::reading(0, base + drawn - solar)]);
                inputs
            }
            Event::Joint { grid, solar } => vec![Bench::reading(1, solar), Bench::reading(0, grid)],
            Event::One { point, value } => vec![Bench::reading(point, value)],
            Event::Odd { point, value, age_s, retained } => {
                let wall = overspill_rules::time::WallTime(now.0 + self.offset_ms);
                let device_time = age_s.map(|s| wall + Span::seconds(-s));
                vec![Input::Reading(Reading {
                    point: PointId(point),
                    extra: None,
                    value,
                    device_time,
                    retained,
                })]
            }
            Event::Ask(value) => vec![Bench::other_reading(0, value)],
            Event::Wish { load, want, amount, minutes, retained } => {
                let end = Some(End::For(Span::minutes(minutes)));
                vec![Input::Override(OverrideRequest {
                    load: LoadId(load),
                    amount,
                    end,
                    retained,
                    ..wish(want)
                })]
            }
            Event::Service { load, out, named } => {
                let by = if named { "Ada".to_owned() } else { String::new() };
                vec![Input::OutOfService { load: LoadId(load), out, by }]
            }
            Event::Rules(n) => vec![Input::Rules(rule_sets().swap_remove(n))],
            Event::Clock { step_s, believed } => {
                self.offset_ms += step_s * 1000;
                self.believed = believed;
                vec![Input::ClockSet { offset_ms: self.offset_ms, believed }]
            }
            Event::Island(island) => vec![Input::Island(island)],
            Event::Role(role) => {
                self.role = role;
                vec![Input::Role(role)]
            }
            Event::State { load, plugged, ready } => {
                vec![Input::LoadState { load: LoadId(load), plugged, ready }]
            }
            Event::Reconnected => vec![Input::Reconnected],
            Event::Unreadable(point) => {
                vec![Input::Unreadable {
                    about: About::Point(PointId(point.min(1))),
                    why: "no number".into(),
                    person: false,
                }]
            }
            Event::Silence => vec![],
            Event::Restart { pause_s, believed, set } => {
                self.restart(pause_s, believed, set);
                vec![]
            }
        };
        let joint = matches!(event, Event::World { .. } | Event::Joint { .. });
        if !inputs.is_empty() {
            let from = self.bench.outputs.len();
            self.give(inputs);
            if joint {
                self.balance_closes(from);
            }
        }
    }

    /// Everything is off then; what was on is switched off by the start.
    fn restart(&mut self, pause_s: u32, believed: bool, set: usize) {
        let kept = self.bench.controller.kept();
        let back = self.bench.now + Span::seconds(i64::from(pause_s));
        self.bench = Bench::bare(law_home(self.metered), kept);
        self.bench.now = back;
        (self.believed, self.role) = (believed, Role::Command);
        (self.stale_at, self.newest_grid, self.base_w) = (None, None, None);
        for (load, on) in std::mem::take(&mut self.on) {
            if on {
                self.off_since.insert(load, back);
            }
        }
        self.setpoints.clear();
        self.give(vec![
            Input::ClockSet { offset_ms: self.offset_ms, believed },
            Input::Rules(rule_sets().swap_remove(set)),
        ]);
    }

    fn balance_closes(&self, from: usize) {
        let of = self.bench.outputs[from..].iter().find_map(|(_, o)| match o {
            Output::Balance(b) => Some(b.total),
            _ => None,
        });
        let Some(b) = of else { return };
        // A reading dated by its device may be newer than one that comes later: then the old one stands.
        if self.newest_grid != Some(self.bench.now) {
            return;
        }
        if let (Some(grid), Some(solar), Some(house)) = (b.grid_w, b.solar_w, b.house_w) {
            assert!((grid + solar - house).abs() < 1e-6, "{b:?}");
        }
    }

    /// Laws of everything that was given out since `from`.
    fn judge(&mut self, from: usize) {
        let now = self.bench.now;
        assert!(self.bench.wake - now <= Span::seconds(10));
        let outputs: Vec<Output> = self.bench.outputs[from..].iter().map(|(_, o)| o.clone()).collect();
        let mut raised = false;
        for output in &outputs {
            match output {
                Output::Balance(b) => self.judge_balance(b),
                Output::Command(c) => self.judge_command(c),
                Output::Record(Record::Setpoint { load, watts }) => {
                    raised |= *watts > self.setpoint(load.0);
                    self.setpoints.insert(load.0, *watts);
                }
                Output::Load(report) => self.judge_load(report, now),
                Output::Notice(n) => assert!(!n.text.is_empty()),
                _ => {}
            }
        }
        if raised {
            self.judge_ratings();
        }
        if let Some(at) = self.stale_at.filter(|at| now < *at) {
            assert!(self.bench.wake <= at, "it must be awake when the reading goes stale");
        }
        if self.stale_at.is_none_or(|at| now >= at) {
            // Fallback of all loads is off; at exactly that moment, and for as long as it lasts.
            for load in 0..3 {
                assert_eq!(self.setpoint(load), 0.0, "load {load} at {now:?}, stale at {:?}", self.stale_at);
            }
        }
    }

    fn judge_balance(&mut self, b: &BalanceReport) {
        let t = &b.total;
        if let (Some(grid), Some(import), Some(export)) = (t.grid_w, t.import_w, t.export_w) {
            assert_eq!(import - export, grid);
            assert!(import >= 0.0 && export >= 0.0);
        }
        assert_eq!(t.grid_w.is_none(), t.import_w.is_none());
        let all = [t.grid_w, t.solar_w, t.battery_w, t.house_w, t.loads_w, t.base_w, t.spare_w];
        assert!(all.into_iter().flatten().all(f64::is_finite), "{t:?}");
        self.base_w = t.base_w;
    }

    fn judge_command(&self, c: &Command) {
        assert_eq!(self.role, Role::Command, "an instance that watches sends nothing");
        let load = self.bench.controller.home().load(c.load);
        assert!(c.watts.is_finite() && c.watts >= 0.0 && c.watts <= load.ceiling_w(230.0) + 1e-6, "{c:?}");
        assert!(c.watts == 0.0 || c.watts >= load.floor_w(230.0) - 1e-6, "{c:?}");
        assert!(c.on || c.watts == 0.0, "{c:?}");
        if let Some(amps) = c.amps {
            assert_eq!(amps.fract(), 0.0);
            assert!((amps * 230.0 - c.watts).abs() < 1e-6, "{c:?}");
        }
    }

    fn judge_load(&mut self, report: &LoadReport, now: Moment) {
        let (load, on) = (report.load.0, report.on);
        let described = self.bench.controller.home().load(report.load);
        let was = self.on.insert(load, on).unwrap_or(false);
        if on && !was {
            if let Some(off) = self.off_since.get(&load) {
                assert!(now - *off >= described.min_off, "{load} on at {now:?}, off since {off:?}");
            }
            self.on_since.insert(load, now);
        }
        if !on && was {
            let on_for = now - self.on_since[&load];
            let bound_or_person = matches!(
                report.limited_by,
                Some(
                    Limit::Supply
                        | Limit::Circuit
                        | Limit::Stale
                        | Limit::Rule
                        | Limit::NoAnswer
                        | Limit::NotReady
                        | Limit::TooHot
                        | Limit::OutOfService
                        | Limit::Watching
                )
            ) || report.reason.starts_with("switched off");
            assert!(on_for >= described.min_on || bound_or_person, "{on_for}: {report:?}");
            self.off_since.insert(load, now);
        }
        self.persons_off.insert(load, report.reason.starts_with("switched off"));
        if self.persons_off[&load] {
            assert!(!on, "{report:?}");
        }
        if report.out_of_service.is_some() {
            assert!(!on, "{report:?}");
        }
    }

    /// What is permitted stays within the ratings less 10 %.
    fn judge_ratings(&self) {
        let ratios = self.bench.controller.kept().ratios;
        let home = self.bench.controller.home();
        let permitted = |i: u16| self.setpoint(i) * ratios[&home.load(LoadId(i)).id];
        let garage = (permitted(0) + permitted(1)) / 230.0;
        assert!(garage <= 36.0 + 1e-6, "garage {garage} A");
        if let Some(base) = self.base_w {
            let supply = (base + permitted(0) + permitted(1) + permitted(2)) / 230.0;
            assert!(supply <= 54.0 + 1e-6, "supply {supply} A, base {base} W");
        }
    }
}

fn run(metered: bool, set: usize, events: &[(u32, Event)], end: bool) -> Vec<(Moment, Output)> {
    let mut court = Court::new(metered, set);
    for (gap, event) in events {
        let at = court.bench.now + Span(i64::from(*gap));
        court.go_to(at);
        court.apply(event);
    }
    let at = court.bench.now + Span::minutes(2);
    court.go_to(at);
    if end {
        court.give(vec![Input::Stopping]);
        assert!((0..3).all(|i| court.setpoint(i) == 0.0));
    }
    court.bench.outputs
}

/// By default 256 cases, or what `PROPTEST_CASES` says.
fn cases() -> ProptestConfig {
    ProptestConfig { failure_persistence: None, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(cases())]

    /// No panic; the balance closes; set-points within floor and ceiling; ratings; `min_off` always and `min_on` unless
    /// a bound or a person; fallback at its exact moment; the last output is a wait for a later moment.
    #[test]
    fn the_laws_hold_whatever_comes_in((metered, set, events) in stream()) {
        run(metered, set, &events, true);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases().cases / 5 + 1, ..cases() })]

    #[test]
    fn the_same_inputs_give_the_same_outputs_byte_for_byte((metered, set, events) in stream()) {
        let text = |outputs: Vec<(Moment, Output)>| -> Vec<String> {
            outputs.iter().map(|o| serde_json::to_string(o).unwrap()).collect()
        };
        prop_assert_eq!(text(run(metered, set, &events, true)), text(run(metered, set, &events, true)));
    }

    /// What must be known again after a restart can be written down and read back as it was.
    #[test]
    fn what_is_kept_survives_being_written_down((metered, set, events) in stream()) {
        let mut court = Court::new(metered, set);
        for (gap, event) in &events {
            let at = court.bench.now + Span(i64::from(*gap));
            court.go_to(at);
            court.apply(event);
        }
        let kept = court.bench.controller.kept();
        let text = serde_json::to_string(&kept).unwrap();
        let back: Kept = serde_json::from_str(&text).unwrap();
        prop_assert_eq!(serde_json::to_string(&back).unwrap(), text);
        // And a program that starts with it starts with everything off, whatever it was.
        let mut again = Bench::bare(law_home(metered), back);
        again.input(Input::ClockSet { offset_ms: court.offset_ms + court.bench.now.0, believed: true });
        prop_assert!((0..3).all(|i| again.setpoint(i) == 0.0));
    }
}
