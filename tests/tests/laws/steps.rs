//! What may happen in a random hour.

use std::fmt;

use overspill_rules::home::LoadId;
use overspill_rules::input::{Amount, End, OverrideRequest, Want};
use overspill_rules::time::{Span, WallTime};
use proptest::prelude::*;

use super::homes::RULE_SETS;

/// One thing that happens, after some time has passed.
#[derive(Clone)]
pub struct Step {
    /// Milliseconds that pass before it.
    pub after_ms: i64,
    /// What happens.
    pub what: What,
}

/// In one line, so that a failing hour can be read.
impl fmt::Debug for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Step { after_ms, what } = self;
        f.write_str(&format!("after {after_ms} ms: {what:?}"))
    }
}

#[derive(Debug, Clone)]
pub enum What {
    /// Base and roof, in watts, from now on.
    Weather {
        base_w: f64,
        solar_w: f64,
    },
    /// A load draws this share of what it is told.
    Appetite {
        load: u16,
        share: f64,
    },
    /// A load draws this much whatever it is told; `None` ends it.
    Willful {
        load: u16,
        watts: Option<f64>,
    },
    /// The main meters, or those of the loads, are silent for so long.
    Silence {
        main: bool,
        ms: i64,
    },
    /// A number out of nowhere for some point.
    Absurd {
        point: u16,
        value: f64,
        retained: bool,
    },
    Override(OverrideRequest),
    OutOfService {
        load: u16,
        out: bool,
    },
    Rules(usize),
    /// The wall clock jumps.
    Clock {
        jump_ms: i64,
        believed: bool,
    },
    Island(bool),
    Watch(bool),
    Reconnected,
    LoadState {
        load: u16,
        plugged: Option<bool>,
        ready: Option<bool>,
    },
    /// The tank's temperature and the battery's charge from now on; `None` is silent.
    Inputs {
        tank_c: Option<f64>,
        charge: Option<f64>,
    },
    /// A wake that nobody asked for.
    Wake,
}

pub fn any_step() -> impl Strategy<Value = Step> {
    let after = prop_oneof![
        2 => 0..2_000_i64,
        4 => 2_000..60_000_i64,
        4 => 60_000..600_000_i64,
    ];
    (after, any_what()).prop_map(|(after_ms, what)| Step { after_ms: after_ms / 100 * 100, what })
}

fn load() -> impl Strategy<Value = u16> {
    0..3_u16
}

fn any_what() -> impl Strategy<Value = What> {
    prop_oneof![
        6 => weather(),
        2 => (load(), prop_oneof![Just(0.0), Just(1.0), 0.0..3.0]).prop_map(|(load, share)| What::Appetite { load, share }),
        1 => (load(), proptest::option::of(0.0..4000.0)).prop_map(|(load, watts)| What::Willful { load, watts }),
        3 => (any::<bool>(), 0..400_000_i64).prop_map(|(main, ms)| What::Silence { main, ms }),
        2 => absurd(),
        4 => any_override().prop_map(What::Override),
        1 => (load(), any::<bool>()).prop_map(|(load, out)| What::OutOfService { load, out }),
        3 => (0..RULE_SETS).prop_map(What::Rules),
        1 => (-7_200_000..50_000_000_i64, prop::bool::weighted(0.9))
            .prop_map(|(jump_ms, believed)| What::Clock { jump_ms, believed }),
        1 => prop::bool::weighted(0.3).prop_map(What::Island),
        1 => prop::bool::weighted(0.3).prop_map(What::Watch),
        1 => Just(What::Reconnected),
        1 => (load(), any::<Option<bool>>(), any::<Option<bool>>())
            .prop_map(|(load, plugged, ready)| What::LoadState { load, plugged, ready }),
        2 => (proptest::option::weighted(0.9, 20.0..95.0), proptest::option::weighted(0.9, 80.0..100.0))
            .prop_map(|(tank_c, charge)| What::Inputs { tank_c, charge }),
        1 => Just(What::Wake),
    ]
}

fn weather() -> impl Strategy<Value = What> {
    let base = prop_oneof![4 => 100.0..3_000.0, 1 => 3_000.0..14_000.0];
    let solar = prop_oneof![1 => Just(0.0), 3 => 0.0..4_000.0, 4 => 4_000.0..14_000.0];
    (base, solar).prop_map(|(base_w, solar_w)| What::Weather { base_w, solar_w })
}

fn absurd() -> impl Strategy<Value = What> {
    let value =
        prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(1e18), Just(-31_000.0), -30_000.0..30_000.0,];
    (0..8_u16, value, any::<bool>()).prop_map(|(point, value, retained)| What::Absurd {
        point,
        value,
        retained,
    })
}

fn any_override() -> impl Strategy<Value = OverrideRequest> {
    let amount = prop_oneof![
        Just(None),
        (0.0..8_000.0).prop_map(|w| Some(Amount::Watts(w))),
        (0.0..40.0).prop_map(|a| Some(Amount::Amps(a))),
        Just(Some(Amount::Watts(f64::NAN))),
    ];
    let end = prop_oneof![
        Just(None),
        (-1_000..1_800_000_i64).prop_map(|ms| Some(End::For(Span(ms)))),
        (0..7_200_000_i64).prop_map(|ms| Some(End::Until(WallTime(super::world::START.0 + ms)))),
        Just(Some(End::For(Span::hours(30)))),
    ];
    let want = prop_oneof![4 => Just(Want::On), 3 => Just(Want::Off), 2 => Just(Want::Auto)];
    (load(), want, amount, end, prop::bool::weighted(0.1)).prop_map(|(load, want, amount, end, retained)| {
        OverrideRequest { load: LoadId(load), want, amount, end, by: Some("Ann".into()), id: None, retained }
    })
}
