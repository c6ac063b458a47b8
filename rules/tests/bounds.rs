//! What no rule and no override lifts, only lowers or stops.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use support::*;

const CAR: (&str, &str) = ("car", r#"home.load("car").run("now");"#);
const WATER: (&str, &str) = ("water", r#"home.load("water").run("now");"#);
const PUMP: (&str, &str) = ("pump", r#"home.load("pump").run("now");"#);

/// 60 A less 10 %, in watts at 230 V.
const LIMIT_W: f64 = 54.0 * 230.0;

fn circuit(id: &str, rating_a: f64, within: Option<u16>) -> Circuit {
    Circuit { id: id.into(), rating_a, within: within.map(CircuitId) }
}

fn on_circuit(load: Load, circuit: u16) -> Load {
    Load { circuit: Some(CircuitId(circuit)), ..load }
}

// ratings

#[test]
fn what_is_permitted_stays_within_the_rating_less_ten_percent() {
    for base in [0.0, 2000.0, 4000.0, 6000.0, 9000.0, 12_000.0, 13_000.0] {
        let mut bench = Bench::new(home(vec![car(), water(), pump()], false), &[CAR, WATER, PUMP]);
        bench.power(base, 0.0);
        let permitted: f64 = (0..3).map(|i| bench.setpoint(i)).sum();
        assert!(base + permitted <= LIMIT_W || permitted == 0.0, "base {base}: {permitted}");
        if base <= LIMIT_W - 11_360.0 {
            assert_eq!(permitted, 11_360.0);
        }
    }
}

#[test]
fn an_override_does_not_lift_a_rating() {
    let mut bench = Bench::new(home(vec![car()], false), &[]);
    bench.power(10_000.0, 0.0);
    bench.wish(OverrideRequest { amount: Some(Amount::Amps(32.0)), ..wish(Want::On) });
    assert!(10_000.0 + bench.setpoint(0) <= LIMIT_W);
    assert_eq!(bench.limit(0), Some(Limit::Supply));
}

#[test]
fn a_permitted_load_keeps_its_place_although_it_draws_nothing() {
    // The car is permitted 32 A and draws nothing yet: the heater may not have its place.
    let mut bench = Bench::new(home(vec![car(), water()], true), &[CAR, WATER]);
    for n in 0..30 {
        bench.to(Moment(n * 10_000));
        bench.inputs(vec![
            Bench::reading(2, 0.0),
            Bench::reading(3, 0.0),
            Bench::reading(1, 0.0),
            Bench::reading(0, 4000.0),
        ]);
        let permitted = bench.setpoint(0) + bench.setpoint(1);
        assert!(4000.0 + permitted <= LIMIT_W, "{permitted}");
    }
    assert_eq!(bench.setpoint(0), 7360.0);
    assert_eq!(bench.limit(1), Some(Limit::Supply));
}

#[test]
fn a_load_that_draws_more_than_it_is_told_counts_with_its_draw() {
    let mut bench =
        Bench::new(home(vec![Load { turn: 1, ..water() }, Load { turn: 2, ..pump() }], true), &[WATER]);
    bench.inputs(vec![Bench::reading(2, 0.0), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
    bench.inputs(vec![Bench::reading(2, 11_500.0), Bench::reading(1, 0.0), Bench::reading(0, 12_000.0)]);
    bench.input(Input::Rules(rules(&[WATER, PUMP])));
    assert_eq!((bench.setpoint(1), bench.limit(1)), (0.0, Some(Limit::Supply)));
}

#[test]
fn the_latest_turn_is_cut_first_to_its_floor_then_off() {
    let loads = vec![
        Load { turn: 1, ..water() },
        Load { turn: 2, kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 16.0 }, ..car() },
        Load { turn: 3, ..pump() },
    ];
    let set = [WATER, CAR, PUMP];
    // Permitted in all: 3000 + 3680 + 1000 = 7680 W; room for it up to a base of 4740 W.
    let rows = [
        (4700.0, [3000.0, 3680.0, 1000.0]),
        (5000.0, [3000.0, 3680.0, 0.0]),
        (6000.0, [3000.0, 1380.0, 0.0]),
        (9000.0, [3000.0, 0.0, 0.0]),
        (11_000.0, [0.0, 0.0, 0.0]),
    ];
    for (base, wanted) in rows {
        let mut bench = Bench::new(home(loads.clone(), false), &set);
        bench.power(500.0, 0.0);
        bench.live(200, 500.0, 0.0);
        assert_eq!([0, 1, 2].map(|i| bench.setpoint(i)), [3000.0, 3680.0, 1000.0]);
        bench.after(5);
        bench.answer(base, 0.0);
        let found = [0, 1, 2].map(|i| bench.setpoint(i));
        assert_eq!(found, wanted, "base {base}");
    }
}

#[test]
fn a_cut_is_immediate_and_raising_again_needs_a_minute_of_headroom() {
    let mut bench = Bench::new(home(vec![car()], true), &[CAR]);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.inputs(readings(0.0, 500.0));
    for _ in 0..6 {
        bench.after(10);
        bench.inputs(readings(7360.0, 500.0));
    }
    bench.after(1);
    bench.inputs(readings(7360.0, 8000.0));
    let cut_at = bench.now;
    assert_eq!(bench.setpoint(0), 1380.0);
    // The kettle is off again at once.
    let end = cut_at + Span::seconds(60);
    while bench.now + Span::seconds(5) < end {
        bench.after(5);
        bench.inputs(readings(1380.0, 500.0));
        assert_eq!((bench.setpoint(0), bench.limit(0)), (1380.0, Some(Limit::Supply)), "{:?}", bench.now);
    }
    bench.after(10);
    bench.inputs(readings(1380.0, 500.0));
    assert_eq!(bench.setpoint(0), 7360.0);
    assert!(bench.commands(0).last().unwrap().0 * 1000 >= end.0);
}

#[test]
fn a_second_excess_begins_the_minute_afresh() {
    let mut bench = Bench::new(home(vec![car()], true), &[CAR]);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.inputs(readings(0.0, 500.0));
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    bench.after(1);
    bench.inputs(readings(7360.0, 8000.0));
    for n in 1..=10 {
        assert!(bench.setpoint(0) <= 1380.0, "{n}");
        bench.after(10);
        let drawn = bench.setpoint(0);
        bench.inputs(readings(drawn, if n == 5 { 12_000.0 } else { 500.0 }));
    }
}

/// One kettle must not cascade everything off: from a cut until it has settled, a load counts what it was cut to,
/// although its meter still tells of the old draw.
#[test]
fn from_a_cut_until_it_has_settled_a_load_counts_its_new_set_point() {
    let loads = vec![Load { turn: 1, ..water() }, Load { turn: 2, ..car() }];
    let mut bench = Bench::new(home(loads, true), &[WATER, CAR]);
    let readings = |water: f64, car: f64, base: f64| {
        vec![
            Bench::reading(2, water),
            Bench::reading(3, car),
            Bench::reading(1, 0.0),
            Bench::reading(0, base + water + car),
        ]
    };
    bench.inputs(readings(0.0, 0.0, 500.0));
    for _ in 0..6 {
        bench.after(10);
        bench.inputs(readings(3000.0, 7360.0, 500.0));
    }
    // The kettle. The car is slow to obey: its meter tells of 7360 W for 20 s more.
    for _ in 0..10 {
        bench.after(2);
        bench.inputs(readings(3000.0, 7360.0, 3000.0));
        assert_eq!((bench.setpoint(0), bench.setpoint(1)), (3000.0, 1380.0), "{:?}", bench.now);
    }
    // A car that still does not obey counts as it draws, and the one that is left is cut.
    bench.after(20);
    bench.inputs(readings(3000.0, 7360.0, 3000.0));
    assert!(bench.setpoint(0) + bench.setpoint(1) < 4380.0);
}

#[test]
fn the_size_of_the_current_counts_whatever_its_sign() {
    // With a reversed clamp 13 kW of import look like 13 kW of export.
    let mut bench = Bench::new(home(vec![car()], false), &[CAR]);
    bench.power(-13_000.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Supply)));
}

#[test]
fn circuits_hold_their_ratings_nested_ones_too() {
    // garage 40 A, within it shed 20 A: the shed may have 18 A, both together 36 A.
    let mut one = home(vec![on_circuit(car(), 0), on_circuit(water(), 1), on_circuit(pump(), 1)], false);
    one.circuits = vec![circuit("garage", 40.0, None), circuit("shed", 20.0, Some(0))];
    let mut bench = Bench::new(one, &[CAR, WATER, PUMP]);
    bench.power(500.0, 0.0);
    let [car, water, pump] = [0, 1, 2].map(|i| bench.setpoint(i));
    assert!(water + pump <= 18.0 * 230.0 && car + water + pump <= 36.0 * 230.0, "{car} {water} {pump}");
    assert_eq!(car, 7360.0);
    assert_eq!((bench.limit(0), bench.limit(2)), (None, Some(Limit::Circuit)));
}

#[test]
fn the_rating_of_an_inner_circuit_holds_alone() {
    let mut one = home(vec![on_circuit(car(), 1)], false);
    one.circuits = vec![circuit("garage", 40.0, None), circuit("shed", 20.0, Some(0))];
    let mut bench = Bench::new(one, &[CAR]);
    bench.power(500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (18.0 * 230.0, Some(Limit::Circuit)));
}

#[test]
fn ratings_hold_per_phase() {
    let three = Load { phases: 3, kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 }, ..car() };
    let one_phase = |phase| Load { phase, ..car() };
    // Base of 30 A on phase 2 only, of a supply of 60 A per phase.
    for (load, amps) in [(three, 24.0), (one_phase(1), 32.0), (one_phase(2), 24.0), (one_phase(3), 32.0)] {
        let text = format!("{} phases from {}", load.phases, load.phase);
        let mut bench = Bench::new(three_phase_home(vec![load], Netting::Sum), &[CAR]);
        let base = [0.0, 6900.0, 0.0];
        let mut inputs: Vec<Input> = (3..6).map(|i| Bench::reading(i, 0.0)).collect();
        inputs.extend((0..3).map(|i| Bench::reading(i, base[usize::from(i)])));
        bench.inputs(inputs);
        assert_eq!(bench.load(0).setpoint_a, Some(amps), "{text}");
    }
}

#[test]
fn a_learnt_ratio_counts_for_ratings() {
    // A car on three phases, set up as if on one: it draws three times what it is told.
    let kept = Kept { ratios: [("car".to_owned(), 3.0)].into(), ..Kept::default() };
    let mut bench = restarted(home(vec![car()], false), kept, &[CAR], START);
    bench.power(500.0, 0.0);
    assert!(bench.setpoint(0) * 3.0 + 500.0 <= LIMIT_W, "{}", bench.setpoint(0));
    assert!(bench.setpoint(0) > 0.0);
}

#[test]
fn a_rating_takes_even_a_released_load_back() {
    let loads = vec![Load { fallback: Fallback::Release, device_timeout: None, ..car() }];
    let mut one = home(loads, true);
    one.inputs.push(ask_input("ask"));
    let set = [(
        "car",
        r#"let it = home.load("car"); if home.input("ask") > 0.0 { throw "broken"; } it.run("now");"#,
    )];
    let mut bench = Bench::new(one, &set);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.other(0, 0.0);
    bench.inputs(readings(0.0, 500.0));
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    bench.other(0, 1.0);
    let sent = bench.sent(0).len();
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    assert_eq!(bench.sent(0).len(), sent, "released: nothing is sent");
    bench.after(1);
    bench.inputs(readings(7360.0, 9000.0));
    assert!(bench.sent(0).last().unwrap().2 <= 1380.0, "{:?}", bench.sent(0));
    assert!(bench.sent(0).len() > sent);
}
