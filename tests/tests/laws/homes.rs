//! Homes of several kinds.

use jiff::tz::TimeZone;
use overspill_rules::home::*;
use overspill_rules::input::{RuleSet, RuleSource};
use overspill_rules::time::Span;
use proptest::prelude::*;

/// What kind of home it is.
#[derive(Debug, Clone)]
pub struct Kind {
    /// Three phases, each with its own grid point; else one.
    pub three: bool,
    /// Each phase is billed by itself.
    pub per_phase: bool,
    /// Which loads have a meter of their own: car, water, pump.
    pub metered: [bool; 3],
    /// A battery, and whether it is served first.
    pub battery: Option<bool>,
    /// What the car, the water heater and the pump get when in doubt.
    pub fallbacks: [Fallback; 3],
    /// Import and export come as two points.
    pub two_sided: bool,
    /// The lag of the main points.
    pub lag: Span,
    /// Supply and garage circuit, in amps.
    pub ratings_a: [f64; 2],
    /// Timed requests go on under this many amps while the grid is unknown.
    pub blind_a: Option<f64>,
    /// After power returns, loads start this far apart.
    pub restart_gap: Span,
    /// The pump is left to whoever switches it.
    pub pump_yields: bool,
}

pub fn any_kind() -> impl Strategy<Value = Kind> {
    let fallbacks = [
        prop_oneof![
            Just(Fallback::Off),
            Just(Fallback::Release),
            Just(Fallback::Amps { amps: 6.0 }),
            Just(Fallback::Amps { amps: 20.0 })
        ]
        .boxed(),
        prop_oneof![Just(Fallback::Off), Just(Fallback::Watts { watts: 800.0 })].boxed(),
        prop_oneof![Just(Fallback::Off), Just(Fallback::Release), Just(Fallback::Watts { watts: 1000.0 })]
            .boxed(),
    ];
    let shape = (any::<bool>(), any::<bool>(), any::<[bool; 3]>(), any::<Option<bool>>(), any::<bool>());
    let bounds = (
        prop_oneof![Just([60.0, 40.0]), Just([25.0, 16.0]), Just([20.0, 32.0])],
        proptest::option::of(4.0..20.0),
        prop_oneof![Just(Span::ZERO), Just(Span::seconds(20))],
    );
    let lag = prop_oneof![Just(Span::ZERO), Just(Span::seconds(2)), Just(Span::seconds(9))];
    (shape, fallbacks, lag, bounds, any::<bool>()).prop_map(
        |((three, per_phase, metered, battery, two_sided), fallbacks, lag, bounds, pump_yields)| Kind {
            three,
            per_phase,
            metered,
            battery,
            fallbacks,
            two_sided: two_sided && !three,
            lag,
            ratings_a: bounds.0,
            blind_a: bounds.1,
            restart_gap: bounds.2,
            pump_yields,
        },
    )
}

/// Places of the other inputs.
pub const TANK: InputId = InputId(0);
pub const CHARGE: InputId = InputId(1);

impl Kind {
    pub fn home(&self) -> Home {
        let phases = if self.three { 3 } else { 1 };
        let netting = if self.per_phase { Netting::Phase } else { Netting::Sum };
        Home {
            id: "wren".into(),
            name: "Wren Cottage".into(),
            timezone: TimeZone::get("Europe/London").unwrap(),
            coordinates: None,
            supply: Supply {
                phases,
                netting,
                volts: 230.0,
                rating_a: self.ratings_a[0],
                export_limit_w: None,
            },
            circuits: vec![
                Circuit { id: "outbuildings".into(), rating_a: self.ratings_a[1] + 6.0, within: None },
                Circuit { id: "garage".into(), rating_a: self.ratings_a[1], within: Some(CircuitId(0)) },
            ],
            points: self.points(),
            inputs: vec![input("tank_c", -20.0, 120.0), input("charge", 0.0, 100.0)],
            loads: vec![self.car(), self.water(), self.pump()],
            battery: self.battery.map(|first| Battery {
                first,
                charge_limit_w: 2500.0,
                charge_input: Some(CHARGE),
                full_above: 99.0,
            }),
            blind_a: self.blind_a,
            settings: Vec::new(),
            tariff: None,
            restart_gap: self.restart_gap,
        }
    }

    fn points(&self) -> Vec<Point> {
        let main = |id: &str, measures, positive, phase| Point {
            lag: self.lag,
            phase,
            ..point(id, measures, positive)
        };
        let mut points = Vec::new();
        if self.three {
            for phase in 1..=3 {
                let id = format!("grid-{phase}");
                points.push(main(&id, Measures::Grid(Side::Both), Positive::Import, Some(phase)));
            }
        } else if self.two_sided {
            points.push(main("grid-in", Measures::Grid(Side::Import), Positive::Import, None));
            points.push(main("grid-out", Measures::Grid(Side::Export), Positive::Import, None));
        } else {
            points.push(main("grid", Measures::Grid(Side::Both), Positive::Import, None));
        }
        let phase = self.three.then_some(1);
        points.push(main("solar", Measures::Solar, Positive::Generation, phase));
        if self.battery.is_some() {
            points.push(main("battery", Measures::Battery, Positive::Discharge, phase));
        }
        for (i, id) in ["car-meter", "water-meter", "pump-meter"].iter().enumerate() {
            if self.metered[i] {
                points.push(point(id, Measures::Load(LoadId(i as u16)), Positive::Use));
            }
        }
        points
    }

    fn car(&self) -> Load {
        Load {
            id: "car".into(),
            name: "Car".into(),
            kind: overspill_rules::home::Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 },
            send: SendAs::Amps,
            phases: if self.three { 3 } else { 1 },
            phase: 1,
            turn: 1,
            circuit: Some(CircuitId(1)),
            counted_by: CountedBy::Main,
            start_after: Span::seconds(60),
            stop_after: Span::minutes(3),
            raise_after: Span::seconds(30),
            min_on: Span::minutes(5),
            min_off: Span::minutes(4),
            refresh: Span::seconds(30),
            device_timeout: Some(Span::minutes(2)),
            settle: Span::seconds(30),
            ramp_w_per_s: None,
            fallback: self.fallbacks[0],
            unattended: false,
            too_hot: None,
            heats_water: overspill_rules::home::HeatsWater::NotSaid,
            own_sun_first: false,
            on_move: OnMove::Tell,
            reports_plugged: true,
            reports_ready: false,
        }
    }

    fn water(&self) -> Load {
        Load {
            id: "water".into(),
            name: "Water heater".into(),
            kind: overspill_rules::home::Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 },
            send: SendAs::Watts,
            phases: 1,
            phase: if self.three { 2 } else { 1 },
            turn: 2,
            circuit: None,
            min_on: Span::minutes(2),
            min_off: Span::minutes(3),
            settle: Span::seconds(5),
            fallback: self.fallbacks[1],
            too_hot: Some(TooHot { input: TANK, above: 80.0 }),
            heats_water: overspill_rules::home::HeatsWater::NotSaid,
            own_sun_first: false,
            reports_plugged: false,
            ..self.car()
        }
    }

    fn pump(&self) -> Load {
        Load {
            id: "pump".into(),
            name: "Pool pump".into(),
            kind: overspill_rules::home::Kind::Switch { rating_w: 1000.0 },
            send: SendAs::OnOff { on_word: "ON".into(), off_word: "OFF".into() },
            phases: 1,
            phase: 1,
            turn: 3,
            circuit: Some(CircuitId(0)),
            min_on: Span::minutes(10),
            min_off: Span::minutes(6),
            settle: Span::seconds(3),
            fallback: self.fallbacks[2],
            unattended: true,
            on_move: if self.pump_yields { OnMove::Yield } else { OnMove::Tell },
            reports_plugged: false,
            ..self.car()
        }
    }
}

fn point(id: &str, measures: Measures, positive: Positive) -> Point {
    Point {
        id: id.into(),
        measures,
        unit: Unit::W,
        positive,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::seconds(35),
        gap_after: None,
        interval: Some(Span::seconds(10)),
        plausible: Some((-30_000.0, 30_000.0)),
        power_factor: 1.0,
        extras: Vec::new(),
    }
}

fn input(id: &str, low: f64, high: f64) -> OtherInput {
    OtherInput {
        id: id.into(),
        unit: None,
        stale_after: Span::minutes(4),
        plausible: Some((low, high)),
        scale: 1.0,
    }
}

/// Sets of rules, some of which ask for odd things, wait or fail.
const SETS: [&[(&str, &str)]; 6] = [
    &[(
        "all",
        r#"for l in [0] { home.load("car").take_spare("spare"); home.load("water").take_spare("spare"); home.load("pump").take_spare("spare"); }"#,
    )],
    &[
        (
            "night",
            r#"if home.clock.between("00:30", "05:30") { home.load("car").run_at_a(16, "cheap"); home.load("pump").run("cheap"); }"#,
        ),
        (
            "spare",
            r#"home.load("car").take_spare(#{ keep_w: 200, grid_up_to_w: 400 }, "spare"); home.load("water").take_spare(#{ at_most_w: 2000 }, "spare");"#,
        ),
    ],
    &[
        (
            "hot",
            r#"if home.tank_c < 50.0 { home.load("water").run_at_w(1500, "cold"); } else { home.load("water").take_spare("spare"); }"#,
        ),
        (
            "odd",
            r#"home.load("car").run_at_a(if home.solar_w > 3000.0 { 40 } else { 3 }, "odd"); if home.grid_w < 0.0 { home.load("pump").run("out"); } else { home.load("pump").stop("in"); }"#,
        ),
    ],
    &[
        ("fails", r#"if home.solar_w > 4000.0 { throw "too bright"; } home.load("car").take_spare("dim");"#),
        ("below", r#"home.load("car").run_at_w(2000, "below"); home.load("pump").take_spare("spare");"#),
    ],
    &[(
        "blind",
        r#"if home.clock.between("06:00", "23:00") { home.load("car").run_at_a(10, "timed"); home.load("water").run("timed"); home.load("pump").run("timed"); }"#,
    )],
    &[(
        "nobody",
        r#"if home.known("grid_w") && home.or("spare_w", 0.0) > 9000.0 { home.load("car").run("plenty"); }"#,
    )],
];

/// How many sets there are.
pub const RULE_SETS: usize = SETS.len();

/// One of the sets.
pub fn rule_set(n: usize) -> RuleSet {
    let rules = SETS[n % SETS.len()].iter().map(|(name, body)| RuleSource {
        name: (*name).into(),
        text: format!("fn decide(home) {{ {body} }}"),
    });
    RuleSet { rules: rules.collect(), library: Vec::new() }
}
