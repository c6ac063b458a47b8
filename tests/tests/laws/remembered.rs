//! Hours that once broke a law.

use overspill_rules::home::{Fallback, LoadId};
use overspill_rules::input::{Amount, OverrideRequest, Want};
use overspill_rules::time::Span;

use super::homes::Kind;
use super::steps::{Step, What};
use super::world::World;

fn plain() -> Kind {
    Kind {
        three: false,
        per_phase: false,
        metered: [false; 3],
        battery: None,
        fallbacks: [Fallback::Off; 3],
        two_sided: false,
        lag: Span::ZERO,
        ratings_a: [60.0, 40.0],
        blind_a: None,
        restart_gap: Span::ZERO,
        pump_yields: false,
    }
}

fn after(after_ms: i64, what: What) -> Step {
    Step { after_ms, what }
}

fn on(load: u16, amount: Option<Amount>) -> What {
    let load = LoadId(load);
    What::Override(OverrideRequest {
        load,
        want: Want::On,
        amount,
        end: None,
        by: Some("Ann".into()),
        id: None,
        retained: false,
    })
}

fn lives(kind: &Kind, steps: &[Step]) {
    World::new(kind).live(steps).unwrap();
}

#[test]
fn a_roof_on_one_phase_is_no_base_of_the_others() {
    lives(&Kind { three: true, ..plain() }, &[after(60_000, What::Wake)]);
}

#[test]
fn one_reading_out_of_turn_does_not_put_every_later_sum_one_round_behind() {
    let stray = What::Absurd { point: 0, value: 0.0, retained: false };
    lives(&plain(), &[after(7_000, stray), after(60_000, What::Wake)]);
}

#[test]
fn a_request_below_the_floor_stops_a_load_no_sooner_than_stop_does() {
    let dim = What::Weather { base_w: 100.0, solar_w: 0.0 };
    lives(&plain(), &[after(0, What::Rules(2)), after(10_000, dim), after(20_000, What::Wake)]);
}

#[test]
fn on_at_nothing_is_no_request() {
    lives(&plain(), &[after(30_000, on(1, Some(Amount::Watts(0.0))))]);
}

#[test]
fn min_off_holds_across_a_restart_before_the_clock_is_known() {
    let mut world = World::new(&plain());
    let unbelieved = What::Clock { jump_ms: 0, believed: false };
    let off = What::OutOfService { load: 2, out: true };
    let back = What::OutOfService { load: 2, out: false };
    let before = [after(11_000, on(2, None)), after(0, unbelieved), after(10_000, off), after(0, back)];
    world.live(&before).unwrap();
    world.restart(0).unwrap();
    world.live(&[after(15_000, on(2, None))]).unwrap();
}

#[test]
fn a_load_that_nobody_commands_is_not_counted_as_cut() {
    let kind = Kind {
        fallbacks: [Fallback::Off, Fallback::Watts { watts: 800.0 }, Fallback::Release],
        ratings_a: [25.0, 16.0],
        lag: Span(9_000),
        ..plain()
    };
    let steps = [
        after(219_800, What::Inputs { tank_c: None, charge: None }),
        after(200, What::Rules(2)),
        after(0, What::Willful { load: 2, watts: Some(2907.0) }),
        after(2_000, What::Rules(4)),
        after(377_300, What::Clock { jump_ms: 0, believed: true }),
        after(11_700, What::Clock { jump_ms: 0, believed: false }),
    ];
    lives(&kind, &steps);
}
