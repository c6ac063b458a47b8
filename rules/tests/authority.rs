//! Who may do what: the table of requests, overrides and bounds against the waits of a load.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};
use support::*;

/// A pump of 1 kW that starts after 60 s, stops after 3 min, and stays on or off for 5 min.
fn pump_bench() -> Bench {
    let mut bench = asked(pump(), false);
    bench.other(0, NOBODY);
    bench.answer(500.0, 0.0);
    bench
}

/// The pump, told `ask` and on for `seconds`.
fn running(ask: f64, seconds: i64) -> Bench {
    let mut bench = pump_bench();
    bench.other(0, ask);
    bench.answer(500.0, 3000.0);
    while !bench.load(0).on {
        bench.live(10, 500.0, 3000.0);
    }
    bench.live(seconds, 500.0, 3000.0);
    bench.forget_outputs_but_state();
    bench
}

impl Bench {
    /// Seconds from now until the load is switched, within an hour of the same weather.
    fn seconds_until(&mut self, on: bool, base_w: f64, solar_w: f64) -> i64 {
        let start = self.now;
        for _ in 0..360 {
            if self.load(0).on == on {
                let at = self.switched(0).last().map_or(start.0, |(t, _)| *t);
                return (at - start.0) / 1000;
            }
            self.live(10, base_w, solar_w);
        }
        i64::MAX
    }

    fn forget_outputs_but_state(&mut self) {
        self.outputs.retain(|(_, o)| matches!(o, Output::Load(_) | Output::Command(_)));
    }
}

// take_spare

#[test]
fn take_spare_takes_only_spare_power_and_waits_out_start_after() {
    let mut bench = pump_bench();
    bench.other(0, TAKE_SPARE);
    assert_eq!(bench.seconds_until(true, 500.0, 1400.0), i64::MAX, "900 W to spare are not enough");
    assert_eq!(bench.limit(0), Some(Limit::Spare));
    bench.answer(500.0, 1600.0);
    assert_eq!(bench.limit(0), Some(Limit::StartWait));
    assert_eq!(bench.seconds_until(true, 500.0, 1600.0), 60);
}

#[test]
fn take_spare_stops_after_stop_after() {
    let mut bench = running(TAKE_SPARE, 310);
    bench.answer(500.0, 1100.0);
    assert_eq!(bench.seconds_until(false, 500.0, 1100.0), 180);
}

#[test]
fn take_spare_keeps_min_on() {
    let mut bench = running(TAKE_SPARE, 20);
    bench.answer(500.0, 0.0);
    bench.live(200, 500.0, 0.0);
    assert_eq!((bench.load(0).on, bench.limit(0)), (true, Some(Limit::MinOn)));
    assert_eq!(bench.seconds_until(false, 500.0, 0.0), 80);
}

#[test]
fn take_spare_keeps_min_off() {
    let mut bench = running(TAKE_SPARE, 310);
    while bench.load(0).on {
        bench.live(10, 500.0, 0.0);
    }
    let off = bench.now;
    bench.live(120, 500.0, 3000.0);
    assert_eq!(bench.limit(0), Some(Limit::MinOff));
    let more = bench.seconds_until(true, 500.0, 3000.0);
    let at = bench.switched(0).last().unwrap().0;
    assert!(at - off.0 >= 290_000 && more > 0, "{more}");
    let list = bench.switched(0);
    let [.., (off, false), (on, true)] = list[..] else { panic!("{list:?}") };
    assert_eq!(on - off, 300_000);
}

// run, run_at_w, run_at_a, stop

#[test]
fn run_draws_whatever_the_source_and_waits_for_nothing() {
    for (ask, watts) in [(RUN, 1000.0), (1000.0, 1000.0)] {
        let mut bench = pump_bench();
        bench.other(0, ask);
        assert_eq!(bench.setpoint(0), watts);
    }
    for (ask, watts) in [(RUN, 7360.0), (2400.0, 2300.0), (99_999.0, 7360.0), (1000.0, 0.0)] {
        let mut bench = asked(car(), false);
        bench.power(500.0, 0.0);
        bench.other(0, ask);
        assert_eq!(bench.setpoint(0), watts, "{ask}");
    }
}

#[test]
fn run_at_a_means_whole_amps_by_volts() {
    for (amps, watts) in [(6.0, 1380.0), (10.9, 2300.0), (5.9, 0.0), (32.0, 7360.0), (40.0, 7360.0)] {
        let body = format!(r#"home.load("car").run_at_a({amps:?}, "so many");"#);
        let mut bench = Bench::new(home(vec![car()], false), &[("a", &body)]);
        bench.power(500.0, 0.0);
        assert_eq!(bench.setpoint(0), watts, "{amps}");
    }
}

#[test]
fn run_is_taken_off_the_spare_power_before_sharing() {
    // The heater comes first by turn, yet the car that runs anyway has its power already.
    let loads = vec![Load { turn: 2, ..car() }, Load { turn: 1, ..water() }];
    let set = [
        ("car", r#"home.load("car").run_at_a(10.0, "now");"#),
        ("water", r#"home.load("water").take_spare("spare");"#),
    ];
    let mut bench = Bench::new(home(loads, true), &set);
    bench.inputs(vec![
        Bench::reading(2, 0.0),
        Bench::reading(3, 0.0),
        Bench::reading(1, 3300.0),
        Bench::reading(0, -2800.0),
    ]);
    bench.live(900, 500.0, 3300.0);
    assert_eq!(bench.setpoint(0), 2300.0);
    assert!((400.0..=500.0).contains(&bench.setpoint(1)), "{}", bench.setpoint(1));
}

#[test]
fn the_end_of_run_waits_for_nothing_but_min_on() {
    for end in [STOP, NOBODY] {
        let mut bench = running(RUN, 310);
        bench.other(0, end);
        assert!(!bench.load(0).on, "{end}");
        let mut bench = running(RUN, 100);
        bench.other(0, end);
        assert_eq!((bench.load(0).on, bench.limit(0)), (true, Some(Limit::MinOn)), "{end}");
        assert_eq!(bench.seconds_until(false, 500.0, 3000.0), 200, "{end}");
    }
}

#[test]
fn an_amount_below_the_floor_keeps_min_on_as_well() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    bench.other(0, RUN);
    bench.other(0, 1000.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (1380.0, Some(Limit::MinOn)));
    bench.hold(300, 500.0, 0.0);
    assert_eq!(bench.setpoint(0), 0.0);
}

#[test]
fn run_keeps_min_off() {
    let mut bench = running(RUN, 310);
    bench.other(0, STOP);
    bench.live(10, 500.0, 0.0);
    bench.other(0, RUN);
    assert_eq!((bench.load(0).on, bench.limit(0)), (false, Some(Limit::MinOff)));
    assert_eq!(bench.seconds_until(true, 500.0, 0.0), 290);
}

#[test]
fn another_winner_does_not_cut_min_on_short() {
    for (first, then) in [(RUN, TAKE_SPARE), (TAKE_SPARE, STOP), (RUN, STOP)] {
        let mut bench = running(first, 50);
        bench.other(0, then);
        bench.answer(500.0, 0.0);
        bench.live(230, 500.0, 0.0);
        assert!(bench.load(0).on, "{first} {then}");
    }
}

// overrides

#[test]
fn an_override_switches_on_at_once_whatever_the_source() {
    let mut bench = pump_bench();
    bench.other(0, STOP);
    bench.wish(wish(Want::On));
    let report = bench.load(0);
    assert_eq!((report.on, report.reason.as_str(), report.rule), (true, "switched on by Ada", None));
}

#[test]
fn a_persons_off_cuts_min_on_short() {
    for ask in [RUN, TAKE_SPARE] {
        let mut bench = running(ask, 20);
        bench.wish(wish(Want::Off));
        assert_eq!((bench.load(0).on, bench.load(0).reason.as_str()), (false, "switched off by Ada"));
    }
}

#[test]
fn a_persons_on_keeps_min_off_and_says_so() {
    let mut bench = running(RUN, 310);
    bench.wish(wish(Want::Off));
    bench.live(120, 500.0, 0.0);
    bench.wish(wish(Want::On));
    let report = bench.load(0);
    assert_eq!((report.on, report.limited_by), (false, Some(Limit::MinOff)));
    let in_three_minutes = WallTime(report.at.unwrap().0 + 180_000);
    assert_eq!(report.waits_until, Some(in_three_minutes));
    assert_eq!(bench.seconds_until(true, 500.0, 0.0), 180);
    assert_eq!(bench.load(0).waits_until, None);
}

#[test]
fn an_override_lasts_two_hours_unless_it_says() {
    let mut bench = pump_bench();
    bench.wish(wish(Want::On));
    assert_eq!(bench.load(0).override_until, Some(START + Span::hours(2)));
    bench.live(7200 - 1, 500.0, 0.0);
    assert!(bench.load(0).on);
    bench.live(1, 500.0, 0.0);
    assert_eq!((bench.load(0).on, bench.load(0).override_until), (false, None));
    assert_eq!(bench.switched(0).last(), Some(&(7_200_000, false)));
}

#[test]
fn an_override_ends_when_it_says() {
    for end in [End::For(Span::minutes(20)), End::Until(START + Span::minutes(20))] {
        let mut bench = pump_bench();
        bench.wish(OverrideRequest { end: Some(end), ..wish(Want::On) });
        bench.live(1300, 500.0, 0.0);
        assert_eq!(bench.switched(0).last(), Some(&(1_200_000, false)), "{end:?}");
    }
}

#[test]
fn an_override_off_ends_too() {
    let mut bench = running(RUN, 310);
    bench.wish(OverrideRequest { end: Some(End::For(Span::minutes(10))), ..wish(Want::Off) });
    assert_eq!(bench.seconds_until(true, 500.0, 0.0), 600);
}

#[test]
fn auto_ends_an_override() {
    let mut bench = pump_bench();
    bench.wish(wish(Want::On));
    bench.live(310, 500.0, 0.0);
    bench.wish(wish(Want::Auto));
    let report = bench.load(0);
    assert_eq!((report.on, report.override_until), (false, None));
    assert_eq!(report.reason, "no rule asks for it");
    assert!(bench.controller.kept().overrides.is_empty());
}

#[test]
fn a_later_override_replaces_the_earlier() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    for (amps, watts) in [(6.0, 1380.0), (16.0, 3680.0), (10.0, 2300.0)] {
        bench.wish(OverrideRequest { amount: Some(Amount::Amps(amps)), ..wish(Want::On) });
        assert_eq!(bench.setpoint(0), watts);
    }
}

#[test]
fn overrides_are_refused_with_a_notice_that_says_why() {
    let on = || wish(Want::On);
    let watts = |w| OverrideRequest { amount: Some(Amount::Watts(w)), ..on() };
    let amps = |a| OverrideRequest { amount: Some(Amount::Amps(a)), ..on() };
    let lasts = |end| OverrideRequest { end: Some(end), ..on() };
    let rows = [
        (OverrideRequest { retained: true, ..on() }, "retained"),
        (OverrideRequest { retained: true, ..wish(Want::Off) }, "retained"),
        (OverrideRequest { retained: true, ..wish(Want::Auto) }, "retained"),
        (lasts(End::For(Span::ZERO)), "past"),
        (lasts(End::For(Span::seconds(-5))), "past"),
        (lasts(End::Until(START)), "past"),
        (lasts(End::For(Span(24 * 3_600_000 + 1))), "24 h"),
        (lasts(End::Until(START + Span::hours(30))), "24 h"),
        (lasts(End::For(Span(i64::MAX))), "24 h"),
        (watts(7400.0), "ceiling"),
        (amps(33.0), "ceiling"),
        (amps(f64::NAN), "ceiling"),
        (amps(f64::INFINITY), "ceiling"),
        (watts(-1.0), "ceiling"),
        (watts(1000.0), "floor"),
        (amps(5.0), "floor"),
    ];
    for (request, why) in rows {
        let mut bench = asked(car(), false);
        bench.other(0, NOBODY);
        bench.power(500.0, 0.0);
        bench.wish(request.clone());
        let told = bench.told("override_refused").concat();
        assert!(told.contains(why), "{request:?}: {told}");
        assert!(!bench.load(0).on, "{request:?}");
    }
}

#[test]
fn an_override_of_exactly_a_day_and_exactly_the_ceiling_is_taken() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    bench.wish(OverrideRequest {
        end: Some(End::For(Span::hours(24))),
        amount: Some(Amount::Amps(32.0)),
        ..wish(Want::On)
    });
    assert_eq!(bench.setpoint(0), 7360.0);
    assert!(bench.told("override_refused").is_empty());
}

#[test]
fn nothing_at_all_is_no_amount_to_be_on_with() {
    for watts in [0.0, -0.0, 9.0] {
        let mut bench = asked(water(), false);
        bench.power(500.0, 0.0);
        bench.wish(OverrideRequest { amount: Some(Amount::Watts(watts)), ..wish(Want::On) });
        assert!(bench.told("override_refused").concat().contains("off"), "{watts}");
    }
}

#[test]
fn an_override_at_the_floor_does_not_stop_when_the_volts_rise() {
    let mut one = home(vec![car()], false);
    one.points[0].extras = vec![Extra { kind: ExtraKind::Volts, scale: 1.0 }];
    let mut bench = Bench::new(one, &[]);
    bench.power(500.0, 0.0);
    bench.wish(OverrideRequest { amount: Some(Amount::Amps(6.0)), ..wish(Want::On) });
    let volts = Reading {
        point: PointId(0),
        extra: Some(ExtraKind::Volts),
        value: 243.0,
        device_time: None,
        retained: false,
    };
    bench.input(Input::Reading(volts));
    assert_eq!(bench.load(0).setpoint_a, Some(6.0));
}

#[test]
fn amps_are_refused_for_what_is_no_charge_point() {
    let mut bench = pump_bench();
    bench.wish(OverrideRequest { amount: Some(Amount::Amps(4.0)), ..wish(Want::On) });
    assert!(bench.told("override_refused").concat().contains("charge points"));
}

#[test]
fn a_repeated_id_is_refused_even_after_a_restart() {
    let mut bench = pump_bench();
    let named = || OverrideRequest { id: Some("x1".into()), ..wish(Want::On) };
    bench.wish(named());
    bench.wish(wish(Want::Auto));
    bench.wish(named());
    assert_eq!(bench.told("override_refused").len(), 1);
    let kept = bench.controller.kept();
    assert_eq!(kept.override_ids, ["x1"]);
    let mut bench = restarted(home(vec![pump()], false), kept, &[], START + Span::minutes(1));
    bench.wish(named());
    assert!(bench.told("override_refused").concat().contains("x1"));
}

#[test]
fn an_override_survives_a_restart_and_keeps_its_end() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    bench.wish(OverrideRequest {
        amount: Some(Amount::Amps(10.0)),
        end: Some(End::For(Span::minutes(30))),
        ..wish(Want::On)
    });
    let kept = bench.controller.kept();
    assert_eq!(kept.overrides["car"].until, START + Span::minutes(30));
    // Ten minutes later the program is back, first without a believable clock.
    let mut bench = Bench::bare(home(vec![car()], false), kept);
    bench.input(Input::ClockSet { offset_ms: 0, believed: false });
    bench.power(500.0, 0.0);
    assert!(!bench.load(0).on);
    bench.input(Input::ClockSet { offset_ms: START.0 + 600_000, believed: true });
    // The car was on when the program ended, so it rests first.
    bench.hold(310, 500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.load(0).reason.as_str()), (2300.0, "switched on by Ada"));
    bench.hold(1000, 500.0, 0.0);
    assert_eq!(bench.switched(0).last(), Some(&(1_200_000, false)));
}

#[test]
fn an_override_whose_end_passed_while_the_program_was_down_is_over() {
    let mut bench = pump_bench();
    bench.wish(OverrideRequest { end: Some(End::For(Span::minutes(5))), ..wish(Want::On) });
    let kept = bench.controller.kept();
    let mut bench = restarted(home(vec![pump()], false), kept, &[], START + Span::hours(3));
    bench.hold(600, 500.0, 0.0);
    assert!(bench.switched(0).iter().all(|(_, on)| !on));
}

#[test]
fn a_step_of_the_wall_clock_does_not_make_an_override_last() {
    let mut bench = pump_bench();
    bench.wish(OverrideRequest { end: Some(End::For(Span::minutes(10))), ..wish(Want::On) });
    bench.input(Input::ClockSet { offset_ms: START.0 - 86_400_000, believed: true });
    bench.live(700, 500.0, 0.0);
    assert_eq!(bench.switched(0).last(), Some(&(600_000, false)));
}

#[test]
fn overrides_are_recorded_as_they_begin_and_end() {
    let mut bench = pump_bench();
    bench.wish(OverrideRequest {
        end: Some(End::For(Span::minutes(10))),
        id: Some("n".into()),
        ..wish(Want::On)
    });
    bench.live(610, 500.0, 0.0);
    let held: Vec<bool> = bench
        .records()
        .into_iter()
        .filter_map(|(_, r)| match r {
            Record::Override { held, .. } => Some(held.is_some()),
            _ => None,
        })
        .collect();
    assert_eq!(held, [true, false]);
    assert!(bench.records().iter().any(|(_, r)| *r == Record::OverrideId("n".into())));
}

// bounds and fallback

#[test]
fn bounds_and_fallback_cut_min_on_short_and_wait_for_nothing() {
    for ask in [RUN, TAKE_SPARE] {
        let mut bench = running(ask, 20);
        bench.after(30);
        assert_eq!((bench.load(0).on, bench.limit(0)), (false, Some(Limit::Stale)), "{ask}");
    }
    let mut bench = running(RUN, 20);
    bench.input(Input::OutOfService { load: LoadId(0), out: true, by: "Ada".into() });
    assert!(!bench.load(0).on);
    let mut bench = running(RUN, 20);
    bench.power(61.0 * 230.0, 0.0);
    assert_eq!((bench.load(0).on, bench.limit(0)), (false, Some(Limit::Supply)));
}

#[test]
fn min_off_holds_after_a_bound_and_a_fallback_and_for_a_fallback() {
    let mut bench = running(RUN, 20);
    bench.after(30);
    let off = bench.now;
    assert!(!bench.load(0).on);
    bench.live(200, 500.0, 3000.0);
    assert_eq!(bench.limit(0), Some(Limit::MinOff));
    bench.live(300, 500.0, 3000.0);
    let (on, is_on) = *bench.switched(0).last().unwrap();
    assert!(is_on && on >= off.0 - 10_000 + 300_000, "{on} after {}", off.0);
    // A fallback that is an amount waits as well.
    let heater = Load { fallback: Fallback::Watts { watts: 500.0 }, ..water() };
    let mut bench = asked(heater, false);
    bench.power(500.0, 0.0);
    bench.other(0, RUN);
    bench.hold(310, 500.0, 0.0);
    bench.other(0, STOP);
    bench.after(60);
    assert_eq!((bench.load(0).on, bench.limit(0)), (false, Some(Limit::Stale)));
    bench.after(250);
    assert_eq!(bench.setpoint(0), 500.0);
    let list = bench.switched(0);
    assert_eq!(list.last(), Some(&(610_000, true)), "{list:?}");
}

#[test]
fn min_off_holds_across_a_restart() {
    let set = [("p", r#"home.load("pump").run("now");"#)];
    let one = home(vec![pump()], false);
    let mut bench = Bench::new(one.clone(), &set);
    bench.power(500.0, 0.0);
    bench.hold(310, 500.0, 0.0);
    bench.wish(wish(Want::Off));
    bench.wish(wish(Want::Auto));
    let mut kept = bench.controller.kept();
    assert_eq!(kept.off_since["pump"], WallTime(START.0 + 310_000));
    kept.overrides.clear();
    let mut bench = restarted(one.clone(), kept.clone(), &set, START + Span::seconds(400));
    bench.power(500.0, 0.0);
    bench.hold(400, 500.0, 0.0);
    assert_eq!(bench.switched(0), [(210_000, true)]);
    // While the clock is not believed nobody knows when it went off: it may have been just now, even for a person.
    let mut bench = Bench::bare(one, kept);
    bench.input(Input::ClockSet { offset_ms: 0, believed: false });
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    bench.hold(310, 500.0, 0.0);
    assert_eq!(bench.switched(0), [(300_000, true)]);
}

#[test]
fn min_off_holds_across_a_restart_although_the_clock_was_wrong_when_the_load_went_off() {
    let one = home(vec![pump()], false);
    let mut bench = Bench::bare(one.clone(), Kept::default());
    bench.input(Input::ClockSet { offset_ms: 0, believed: false });
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    bench.after(10);
    bench.wish(wish(Want::Off));
    let mut bench = restarted(one, bench.controller.kept(), &[], START);
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    assert_eq!(bench.limit(0), Some(Limit::MinOff));
}

#[test]
fn a_load_that_was_on_when_the_program_ended_is_switched_off_and_rests() {
    let set = [("p", r#"home.load("pump").run("now");"#)];
    let one = home(vec![pump()], false);
    let mut bench = Bench::new(one.clone(), &set);
    bench.power(500.0, 0.0);
    let kept = bench.controller.kept();
    assert!(kept.left_on.contains("pump"));
    let mut bench = restarted(one, kept, &set, START + Span::hours(10));
    bench.power(500.0, 0.0);
    bench.hold(310, 500.0, 0.0);
    assert_eq!(bench.switched(0), [(300_000, true)]);
}

// out of service

#[test]
fn out_of_service_lasts_until_a_named_person_lifts_it() {
    let mut bench = pump_bench();
    bench.other(0, RUN);
    bench.live(310, 500.0, 0.0);
    bench.input(Input::OutOfService { load: LoadId(0), out: true, by: "Ada".into() });
    bench.wish(wish(Want::On));
    bench.live(3 * 86_400 / 24, 500.0, 0.0);
    let report = bench.load(0);
    assert_eq!((report.on, report.limited_by), (false, Some(Limit::OutOfService)));
    assert_eq!(report.out_of_service.as_deref(), Some("Ada"));
    bench.input(Input::OutOfService { load: LoadId(0), out: false, by: "  ".into() });
    assert_eq!(bench.told("out_of_service_refused").len(), 1);
    assert!(!bench.load(0).on);
    bench.input(Input::OutOfService { load: LoadId(0), out: false, by: "Bob".into() });
    assert!(bench.load(0).on);
}

#[test]
fn out_of_service_needs_a_name_and_says_that_it_is_no_isolation() {
    let mut bench = pump_bench();
    bench.input(Input::OutOfService { load: LoadId(0), out: true, by: String::new() });
    assert_eq!(bench.load(0).out_of_service, None);
    bench.input(Input::OutOfService { load: LoadId(0), out: true, by: "Ada".into() });
    assert!(bench.told("out_of_service").concat().contains("no isolation"));
}

#[test]
fn out_of_service_survives_a_restart() {
    let mut bench = pump_bench();
    bench.input(Input::OutOfService { load: LoadId(0), out: true, by: "Ada".into() });
    let kept = bench.controller.kept();
    assert_eq!(kept, Kept { out_of_service: [("pump".to_owned(), "Ada".to_owned())].into(), ..kept.clone() });
    let set = [("p", r#"home.load("pump").run("now");"#)];
    let mut bench = restarted(home(vec![pump()], false), kept, &set, START + Span::hours(9));
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    bench.hold(600, 500.0, 0.0);
    assert_eq!((bench.load(0).on, bench.load(0).out_of_service.as_deref()), (false, Some("Ada")));
    assert!(bench.now > Moment(0));
}
