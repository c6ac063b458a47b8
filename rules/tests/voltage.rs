//! Voltage drifts; whole amps must not drift with it.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use overspill_rules::home::{Extra, ExtraKind, LoadId, PointId};
use overspill_rules::input::*;
use overspill_rules::output::*;
use support::*;

fn volts(value: f64) -> Input {
    let (point, extra) = (PointId(0), Some(ExtraKind::Volts));
    Input::Reading(Reading { point, extra, value, device_time: None, retained: false })
}

#[test]
fn a_refresh_at_another_voltage_repeats_the_same_amps() {
    let mut home = home(vec![car()], false);
    home.points[0].extras.push(Extra { kind: ExtraKind::Volts, scale: 1.0 });
    let mut bench = Bench::new(home, &[("car", r#"home.load("car").take_spare("spare solar");"#)]);
    for n in 0..20 {
        // The sun just carries the floor; the street's voltage rises a little after the start.
        let drawn = if n > 7 { 1380.0 } else { 0.0 };
        let set = if n > 7 { 235.0 } else { 230.0 };
        bench.inputs(vec![volts(set), Bench::reading(1, 2000.0), Bench::reading(0, drawn - 1500.0)]);
        bench.after(10);
    }
    let amps: Vec<f64> = bench
        .outputs
        .iter()
        .filter_map(|(_, output)| match output {
            Output::Command(c) if c.on => c.amps,
            _ => None,
        })
        .collect();
    assert!(amps.len() > 3, "started and refreshed: {amps:?}");
    assert!(amps.iter().all(|a| *a == 6.0), "{amps:?}");
    assert_eq!(bench.load(0).setpoint_a, Some(6.0));
}

#[test]
fn drifting_volts_are_no_step_and_do_not_hold_up_a_raise() {
    let mut home = home(vec![car()], false);
    home.points[0].extras = vec![Extra { kind: ExtraKind::Volts, scale: 1.0 }];
    let mut bench = Bench::new(home, &[("car", r#"home.load("car").take_spare("spare solar");"#)]);
    let mut drawn_w = 0.0;
    for n in 0..60 {
        bench.after(10);
        let now = 230.0 + f64::from(n % 7) - 3.0;
        let amps = bench.commands_a(0).last().copied().unwrap_or(0.0);
        bench.inputs(vec![volts(now), Bench::reading(1, 5000.0), Bench::reading(0, drawn_w - 4500.0)]);
        drawn_w = amps * now;
    }
    let amps = bench.commands_a(0);
    assert!(amps.last().copied().unwrap_or(0.0) >= 15.0, "{amps:?}");
}

#[test]
fn an_override_in_amps_keeps_its_amps_when_the_volts_rise() {
    let mut home = home(vec![car()], false);
    home.points[0].extras = vec![Extra { kind: ExtraKind::Volts, scale: 1.0 }];
    let mut bench = Bench::new(home, &[]);
    for now in [230.0, 236.0, 244.0, 226.0] {
        bench.inputs(vec![volts(now), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
        if now == 230.0 {
            bench.input(Input::Override(OverrideRequest {
                load: LoadId(0),
                want: Want::On,
                amount: Some(Amount::Amps(10.0)),
                end: None,
                by: None,
                id: None,
                retained: false,
            }));
        }
        assert_eq!(bench.load(0).setpoint_a, Some(10.0), "at {now} V");
        bench.after(10);
    }
}
