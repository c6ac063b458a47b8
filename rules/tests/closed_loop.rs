//! The controller against loads that answer: what it settles at, and what it does when the answer is wrong.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use overspill_rules::output::*;
use overspill_rules::time::Span;
use support::*;

const SPARE: &[(&str, &str)] = &[
    ("car", r#"home.load("car").take_spare("spare solar");"#),
    ("water", r#"home.load("water").take_spare("spare solar");"#),
];

fn world(metered: bool) -> World {
    World::new(Bench::new(home(vec![car(), water()], metered), SPARE), 5000.0, 500.0)
}

#[test]
fn the_car_takes_its_whole_amps_and_the_heater_the_rest() {
    for metered in [true, false] {
        let mut world = world(metered);
        world.run(3600);
        let car = world.draws_w[0];
        assert_eq!(car % 230.0, 0.0);
        assert!(car >= 16.0 * 230.0, "car {car}");
        assert!(
            world.grid_w().abs() < 60.0,
            "metered {metered}: grid {} {:?}",
            world.grid_w(),
            world.draws_w
        );
        let late = world.bench.commands(0).iter().filter(|(t, _)| *t > 1800).count();
        assert!(late <= 2, "the car must come to rest, not change {late} times");
    }
}

#[test]
fn a_full_car_passes_its_share_on() {
    for metered in [true, false] {
        let mut world = world(metered);
        world.takes_w[0] = 0.0;
        world.run(1800);
        assert!(world.draws_w[1] > 2900.0, "metered {metered}: {:?}", world.draws_w);
    }
}

#[test]
fn a_reversed_clamp_stops_the_taking_of_spare_power() {
    for metered in [true, false] {
        let mut world = world(metered);
        // In the evening a reversed clamp shows what the house uses as if it were sent out.
        (world.reversed, world.solar_w, world.base_w) = (true, 0.0, 3000.0);
        world.run(3600);
        assert!(
            world.bench.notices().contains(&"reversed".to_owned()),
            "metered {metered}: {:?}",
            world.bench.notices()
        );
        assert_eq!(world.draws_w, [0.0, 0.0]);
    }
}

#[test]
fn a_metered_load_that_the_clamp_does_not_count_is_stopped_alone() {
    let mut world = world(true);
    world.uncounted = Some(0);
    world.run(2 * 3600);
    assert!(world.bench.notices().contains(&"not_counted".to_owned()) || world.draws_w[0] == 0.0);
    assert!(world.draws_w[1] > 2900.0, "{:?}", world.draws_w);
}

#[test]
fn a_shower_cuts_the_latest_turn_first_and_nothing_permitted_passes_the_rating() {
    let mut world = world(true);
    world.solar_w = 11_000.0;
    world.run(3600);
    let before = world.draws_w.clone();
    world.base_w += 9000.0;
    world.run(120);
    assert!(before[1] > world.draws_w[1] || before[0] > world.draws_w[0]);
    let report = world.bench.load(1);
    assert!(matches!(report.limited_by, Some(Limit::Supply | Limit::Spare)), "{report:?}");
}

#[test]
fn slow_grid_readings_with_quick_load_reports_do_not_run_away() {
    let mut home = home(vec![car(), water()], true);
    home.points.iter_mut().for_each(|p| p.stale_after = Span::minutes(3));
    let mut world = World::new(Bench::new(home, SPARE), 5000.0, 500.0);
    world.every_s = 60;
    world.run(2 * 3600);
    assert!(world.draws_w[0] > 1380.0, "{:?}", world.draws_w);
    assert!(world.grid_w() < 60.0, "{}", world.grid_w());
    assert!(world.peak_a < 30.0, "{}", world.peak_a);
}

#[test]
fn a_load_whose_own_meter_falls_silent_gets_its_fallback_and_makes_no_spare_power() {
    let mut world = world(true);
    world.run(1800);
    assert!(world.draws_w[0] > 3000.0, "{:?}", world.draws_w);
    world.meters[0] = None;
    world.run(600);
    assert_eq!(world.bench.setpoint(0), 0.0);
    assert_eq!(world.bench.load(0).reason, "its own meter is silent");
    assert!(world.grid_w() < 60.0, "{}", world.grid_w());
    assert!(world.draws_w[1] > 2900.0, "the other load goes on: {:?}", world.bench.load(1));
}

/// Nothing tells the program that a car takes less than it is allowed; the car must not be switched for it, nor may the
/// heater go short.
#[test]
fn an_unmetered_car_that_limits_itself_is_held_where_it_followed() {
    for every_s in [1, 10, 60] {
        for takes_w in [2300.0, 3000.0, 3680.0] {
            let mut home = home(vec![car(), water()], false);
            home.points.iter_mut().for_each(|p| p.stale_after = Span::minutes(4));
            let mut world = World::new(Bench::new(home, SPARE), 7500.0, 500.0);
            (world.every_s, world.takes_w[0]) = (every_s, takes_w);
            world.run(1800);
            let mut short_s = 0;
            for _ in 0..7200 {
                world.run(1);
                short_s += i32::from(world.draws_w[1] < 2850.0);
            }
            let case = format!("every {every_s} s, takes {takes_w}");
            let stops = world.bench.switched(0).iter().filter(|(t, on)| *t > 1800 && !on).count();
            assert_eq!(stops, 0, "{case}: the car was switched off");
            assert!(short_s < 600, "{case}: the heater went short for {short_s} s");
        }
    }
}
