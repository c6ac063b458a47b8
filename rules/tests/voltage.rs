//! Voltage drifts; whole amps must not drift with it.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use overspill_rules::home::{Extra, ExtraKind, PointId};
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
