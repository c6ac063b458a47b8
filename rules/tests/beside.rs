//! A history that runs beside the real one: what a load still takes is known only as far as the real one shows it.
#![allow(clippy::unwrap_used)]

mod support;

use std::sync::Arc;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::time::{Span, WallTime};
use overspill_rules::whatif::{Account, Assumptions, WhatIf};
use support::*;

/// A history with one load that its rule runs at full power, beside a real one that draws what the test says.
struct Beside {
    what_if: WhatIf,
    home: Arc<Home>,
    at: WallTime,
}

impl Beside {
    fn new(load: Load, begin: WallTime) -> Beside {
        let id = load.id.clone();
        let home = Arc::new(home(vec![load], true));
        let set = rules(&[("full", &format!(r#"home.load("{id}").run("at full power");"#))]);
        let mut what_if = WhatIf::new(&home, set, Kept::default(), &Assumptions::default(), begin);
        what_if.follow_live();
        Beside { what_if, home, at: begin }
    }

    /// The real load draws `watts` for so many minutes; readings come every 10 s.
    fn real(&mut self, minutes: i64, watts: f64) {
        let grid = self.home.points_measuring(Measures::Grid(Side::Both)).next().unwrap();
        let meter = self.home.meter_of(LoadId(0)).unwrap();
        for _ in 0..minutes * 6 {
            self.at = self.at + Span::seconds(10);
            for (point, value) in [(meter, watts), (grid, watts + 300.0)] {
                let reading = Reading { point, extra: None, value, device_time: None, retained: false };
                self.what_if.input(self.at, &Input::Reading(reading));
            }
        }
    }

    fn plug(&mut self, plugged: bool) {
        let state = Input::LoadState { load: LoadId(0), plugged: Some(plugged), ready: None };
        self.what_if.input(self.at, &state);
    }

    fn took_nothing(&mut self) {
        self.what_if.took_nothing(self.at, LoadId(0));
    }

    fn books(&mut self) -> Account {
        self.what_if.end(self.at);
        self.what_if.account()
    }

    fn kwh(&mut self) -> (f64, f64) {
        let load = self.books().loads[0];
        (load.recorded_kwh(), load.replayed_kwh())
    }
}

#[test]
fn a_car_takes_what_it_is_offered_until_the_real_one_is_full() {
    let mut beside = Beside::new(car(), START);
    beside.plug(true);
    beside.real(20, 2300.0);
    let (real, shadow) = beside.kwh();
    assert!(shadow > 2.0 * real, "{real} {shadow}: nobody knows yet that it will be full");
    beside.took_nothing();
    beside.real(60, 0.0);
    let (_, after) = beside.kwh();
    assert!(after - shadow < 0.01, "{shadow} {after}: it had more than the real one already");
    let over = beside.what_if.over_uj()[0] as f64 / 3.6e12;
    assert!((over - (shadow - real)).abs() < 0.01, "{over}: what may not have fitted is told");

    // The real one, offered again, takes more than this one had: this one may follow up to as much.
    beside.real(180, 4600.0);
    let (real, shadow) = beside.kwh();
    assert!(shadow <= real + 0.001 && real - shadow < 0.06, "{real} {shadow}");
}

#[test]
fn a_load_that_had_less_by_then_takes_the_rest_and_no_more() {
    let mut beside = Beside::new(water(), START);
    beside.real(60, 3000.0);
    beside
        .what_if
        .input(beside.at, &Input::OutOfService { load: LoadId(0), out: true, by: "Ann".to_owned() });
    beside.real(40, 3000.0);
    beside.took_nothing();
    let (real, shadow) = beside.kwh();
    assert!(real - shadow > 1.9, "{real} {shadow}");
    beside
        .what_if
        .input(beside.at, &Input::OutOfService { load: LoadId(0), out: false, by: "Ann".to_owned() });
    beside.real(120, 0.0);
    let (real, shadow) = beside.kwh();
    assert!((real - shadow).abs() < 0.001, "{real} {shadow}: to the watt-hour what the real one took");
    assert_eq!(beside.what_if.over_uj(), [0]);
}

/// Under a rule that has it run whatever comes, the live controller says nothing of a load that takes nothing.
#[test]
fn a_metered_load_that_is_on_and_draws_nothing_is_full() {
    let mut beside = Beside::new(water(), START);
    beside.what_if.recorded_setpoint(beside.at, LoadId(0), 3000.0);
    beside.real(30, 3000.0);
    beside.real(2, 0.0);
    let (real, shadow) = beside.kwh();
    beside.real(60, 0.0);
    let (_, after) = beside.kwh();
    assert!(after - shadow < 0.06 && after >= real - 0.001, "{real} {shadow} {after}");
}

#[test]
fn plugging_in_begins_anew_and_so_does_noon_where_that_is_never_told() {
    let mut told = Beside::new(car(), START);
    told.plug(true);
    told.real(10, 2300.0);
    told.took_nothing();
    told.plug(false);
    told.real(5, 0.0);
    let before = told.kwh().1;
    told.plug(true);
    told.real(10, 0.0);
    assert!(told.kwh().1 > before + 0.5, "it is another car, or the same one emptied");

    // 10:00 in London; noon is two hours off.
    let mut untold = Beside::new(car(), START);
    untold.real(10, 2300.0);
    untold.took_nothing();
    untold.real(109, 0.0);
    let before = untold.kwh().1;
    untold.real(11, 0.0);
    assert!(untold.kwh().1 > before + 0.5);
}

#[test]
fn a_heater_begins_anew_at_local_midnight() {
    // 23:40 in London.
    let mut beside = Beside::new(water(), START + Span::minutes(13 * 60 + 40));
    beside.real(5, 3000.0);
    beside.took_nothing();
    beside.real(14, 0.0);
    let before = beside.kwh().1;
    assert!(before < 0.3, "{before}");
    beside.real(10, 0.0);
    assert!(beside.kwh().1 > before + 0.3);
}

#[test]
fn what_its_controller_tells_can_be_seen_and_nothing_is_sent() {
    let mut beside = Beside::new(water(), START);
    beside.real(1, 0.0);
    beside.books();
    let state = beside.what_if.state();
    let report = &state.loads[&LoadId(0)];
    assert!(report.on && report.rule.as_deref() == Some("full") && report.reason.contains("full power"));
    assert!(state.rules.contains_key("full"));
}
