//! Energy by a deadline, in order of cost at the load; virtual time, a metered car, a roof.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use overspill_rules::home::{Home, LoadId};
use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::output::{Output, Record};
use overspill_rules::tariff::{ExportPrice, ImportPrice, Price, Side, Tariff, Terms, Window, Windows};
use overspill_rules::time::{Moment, Span, WallTime};
use rust_decimal::Decimal;
use support::{Bench, car, home};

const NEED: &str = r#"home.load("car").need_kwh(12, "07:00", "for the morning");"#;

fn money(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn london() -> TimeZone {
    TimeZone::get("Europe/London").unwrap()
}

fn terms(import: ImportPrice, export: &str) -> Terms {
    Terms {
        vat_percent: Decimal::ZERO,
        standing_per_day: Decimal::ZERO,
        import,
        export: ExportPrice::Flat(money(export)),
        generation: Decimal::ZERO,
    }
}

/// `night` from 00:30 to 05:30, else 0.28.
fn night_rate(night: &str, export: &str) -> Option<Tariff> {
    let window = Window { from: 30, to: 330, days: [true; 7], price: money(night) };
    let windows = Windows::new(london(), Some(money("0.28")), &[window]).unwrap();
    Some(Tariff::new("GBP".into(), terms(ImportPrice::Windows(windows), export), vec![]))
}

fn flat(import: &str, export: &str) -> Option<Tariff> {
    Some(Tariff::new("GBP".into(), terms(ImportPrice::Flat(money(import)), export), vec![]))
}

fn with(tariff: Option<Tariff>) -> Home {
    Home { tariff, ..home(vec![car()], true) }
}

/// What the car takes of the home, and when.
struct Night {
    bench: Bench,
    start: WallTime,
    /// Energy by the half hour of the wall clock in which it flowed, in kilowatt-hours.
    flowed: Vec<(WallTime, f64)>,
    /// What the car takes at most, in watts.
    takes_w: f64,
}

impl Night {
    fn new(home: Home, rule: &str, start: &str) -> Night {
        Night::again(home, rule, wall(start), Kept::default())
    }

    fn again(home: Home, rule: &str, start: WallTime, kept: Kept) -> Night {
        let mut bench = Bench::bare(home, kept);
        bench.input(Input::ClockSet { offset_ms: start.0, believed: true });
        bench.input(Input::Rules(support::rules(&[("car", rule)])));
        bench.power(300.0, 0.0);
        Night { bench, start, flowed: Vec::new(), takes_w: f64::INFINITY }
    }

    fn wall(&self) -> WallTime {
        WallTime(self.start.0 + self.bench.now.0)
    }

    /// Lets time pass until the wall clock says `end`; the roof makes `solar_w`, the house takes 300 W.
    fn until(&mut self, end: &str, solar_w: f64) {
        while self.wall() < wall(end) {
            // The car follows ten seconds late.
            let draw_w = self.bench.setpoint(0).min(self.takes_w);
            self.bench.after(10);
            self.flowed.push((self.wall(), draw_w / 360_000.0));
            let inputs = vec![
                Bench::reading(2, draw_w),
                Bench::reading(1, solar_w),
                Bench::reading(0, 300.0 + draw_w - solar_w),
            ];
            self.bench.inputs(inputs);
        }
    }

    fn kwh(&self) -> f64 {
        self.flowed.iter().map(|(_, kwh)| kwh).sum()
    }

    fn kwh_between(&self, from: &str, to: &str) -> f64 {
        let (from, to) = (wall(from), wall(to));
        self.flowed.iter().filter(|(at, _)| *at > from && *at <= to).map(|(_, kwh)| kwh).sum()
    }

    fn reason(&self) -> String {
        self.bench.load(0).reason
    }

    fn starts(&self) -> usize {
        self.bench.switched(0).iter().filter(|(_, on)| *on).count()
    }
}

fn near(found: f64, wanted: f64) {
    assert!((found - wanted).abs() < 0.3, "{found:.2} kWh, not {wanted}");
}

#[test]
fn where_the_night_costs_less_than_export_pays_it_waits_for_the_night() {
    let mut night = Night::new(with(night_rate("0.09", "0.15")), NEED, "2026-06-10T17:00:00Z");
    night.until("2026-06-10T19:00:00Z", 6000.0);
    assert_eq!(night.kwh(), 0.0, "spare power is worth more sent out");
    assert_eq!(
        night.reason(),
        "for the morning: 12 kWh by 07:00, waits for 00:30 and 0.09 GBP a kWh; spare power costs 0.15 GBP a kWh"
    );
    night.until("2026-06-11T06:00:00Z", 0.0);
    near(night.kwh(), 12.0);
    near(night.kwh_between("2026-06-10T23:30:00Z", "2026-06-11T04:30:00Z"), 12.0);
    assert_eq!(night.starts(), 1);
}

#[test]
fn where_the_night_costs_more_than_export_pays_spare_power_comes_first_and_the_night_brings_the_rest() {
    let mut night = Night::new(with(night_rate("0.09", "0.05")), NEED, "2026-06-10T17:00:00Z");
    night.until("2026-06-10T17:30:00Z", 3300.0);
    assert!(
        night.reason().contains("spare power first at 0.05 GBP a kWh where else 0.09 GBP a kWh"),
        "{}",
        night.reason()
    );
    night.until("2026-06-10T19:00:00Z", 3300.0);
    let spare = night.kwh();
    assert!(spare > 4.0 && spare < 6.0, "{spare}");
    night.until("2026-06-11T06:00:00Z", 0.0);
    near(night.kwh(), 12.0);
    near(night.kwh_between("2026-06-10T23:30:00Z", "2026-06-11T04:30:00Z"), 12.0 - spare);
}

#[test]
fn own_sun_first_is_a_preference_and_shows_its_price() {
    let rule = r#"home.load("car").need_kwh(12, "07:00", #{ own_sun_first: true }, "for the morning");"#;
    let mut night = Night::new(with(night_rate("0.09", "0.15")), rule, "2026-06-10T17:00:00Z");
    night.until("2026-06-10T19:00:00Z", 3300.0);
    assert!(night.kwh() > 4.0, "{}", night.kwh());
    assert!(
        night.reason().contains("spare power first at 0.15 GBP a kWh where else 0.09 GBP a kWh"),
        "{}",
        night.reason()
    );
}

#[test]
fn it_is_met_in_the_cheap_time_on_the_nights_of_both_clock_changes() {
    // 07:00 is 06:00 UTC after the spring change and 07:00 UTC after the autumn one.
    for (start, cheap_from, cheap_to, end) in [
        ("2026-03-28T20:00:00Z", "2026-03-29T00:30:00Z", "2026-03-29T04:30:00Z", "2026-03-29T06:00:00Z"),
        ("2026-10-24T20:00:00Z", "2026-10-24T23:30:00Z", "2026-10-25T05:30:00Z", "2026-10-25T07:00:00Z"),
    ] {
        let mut night = Night::new(with(night_rate("0.09", "0.15")), NEED, start);
        night.until(end, 0.0);
        near(night.kwh(), 12.0);
        near(night.kwh_between(cheap_from, cheap_to), 12.0);
        assert_eq!(night.starts(), 1, "{start}");
        assert!(night.bench.told("need_not_met").is_empty(), "{start}");
    }
}

#[test]
fn where_all_hours_cost_the_same_it_waits_for_spare_power_until_the_latest_start() {
    // 12 kWh at 7.36 kW take 1 h 38 min; with a quarter of an hour in reserve the last start is at 05:07.
    let mut night = Night::new(with(flat("0.28", "0.15")), NEED, "2026-01-10T20:00:00Z");
    night.until("2026-01-11T04:20:00Z", 0.0);
    assert_eq!(night.kwh(), 0.0);
    night.until("2026-01-11T05:10:00Z", 0.0);
    assert!(night.kwh() > 0.0);
    night.until("2026-01-11T07:00:00Z", 0.0);
    near(night.kwh(), 12.0);
    assert_eq!(night.starts(), 1);
}

#[test]
fn without_a_tariff_it_takes_spare_power_and_buys_the_rest_at_last() {
    let mut night = Night::new(with(None), NEED, "2026-01-11T02:00:00Z");
    night.until("2026-01-11T04:00:00Z", 2500.0);
    let spare = night.kwh();
    assert!(spare > 2.0, "{spare}");
    night.until("2026-01-11T07:00:00Z", 0.0);
    near(night.kwh(), 12.0);
    let decisions = night.bench.decisions();
    assert!(decisions.iter().any(|d| d.reason.ends_with("the latest time to start")), "{decisions:?}");
}

#[test]
fn half_hourly_prices_choose_their_cheapest_and_a_list_that_ends_early_is_carried_on() {
    let home = Home {
        tariff: Some(Tariff::new("GBP".into(), terms(ImportPrice::Listed, "0.15"), vec![])),
        ..home(vec![car()], true)
    };
    let mut night = Night::new(home, NEED, "2026-01-10T20:00:00Z");
    // Cheap from 02:00 to 04:00 UTC; from midnight on only the day before is known.
    let price = |n: i64| {
        let from = wall("2026-01-10T00:00:00Z") + Span::minutes(30 * n);
        let pence = if (4..8).contains(&(n % 48)) { 5 } else { 20 };
        Price { from, to: None, price: Decimal::new(pence, 2) }
    };
    night.bench.input(Input::Prices { side: Side::Import, prices: (0..48).map(price).collect() });
    night.until("2026-01-11T01:00:00Z", 0.0);
    assert_eq!(night.kwh(), 0.0);
    let tomorrow = (48..96).map(price).collect();
    night.bench.input(Input::Prices { side: Side::Import, prices: tomorrow });
    night.until("2026-01-11T07:00:00Z", 0.0);
    near(night.kwh_between("2026-01-11T02:00:00Z", "2026-01-11T04:00:00Z"), 12.0);
}

#[test]
fn losses_are_added_at_the_socket() {
    let rule = r#"home.load("car").need_kwh(9, "07:00", #{ efficiency: 0.9 }, "in the car");"#;
    let mut night = Night::new(with(night_rate("0.09", "0.15")), rule, "2026-01-10T20:00:00Z");
    night.until("2026-01-11T07:00:00Z", 0.0);
    near(night.kwh(), 10.0);
}

#[test]
fn what_can_t_be_met_is_told_at_once_and_comes_as_far_as_it_can() {
    let rule = r#"home.load("car").need_kwh(60, "07:00", "a long way");"#;
    let mut night = Night::new(with(night_rate("0.09", "0.15")), rule, "2026-01-11T03:00:00Z");
    night.until("2026-01-11T03:00:10Z", 0.0);
    assert_eq!(
        night.bench.told("need_not_met"),
        [
            "Car: 60 kWh by 07:00 can't be met any more: of 60.0 kWh that are left at most 29.4 can come by then, at 7.4 kW"
        ]
    );
    night.until("2026-01-11T06:59:00Z", 0.0);
    assert!(night.kwh() > 28.0, "{}", night.kwh());
    assert_eq!(night.bench.told("need_not_met").len(), 1, "told once");
}

#[test]
fn a_car_that_takes_less_is_seen_and_its_half_hours_are_chosen_anew() {
    let rule = r#"home.load("car").need_kwh(12, "07:00", "for the morning");"#;
    let mut night = Night::new(with(night_rate("0.09", "0.15")), rule, "2026-01-10T23:00:00Z");
    night.takes_w = 3600.0;
    night.until("2026-01-11T07:00:00Z", 0.0);
    near(night.kwh(), 12.0);
    near(night.kwh_between("2026-01-11T00:30:00Z", "2026-01-11T05:30:00Z"), 12.0);
}

#[test]
fn nothing_plugged_in_is_told_before_the_latest_start() {
    let mut home = with(night_rate("0.09", "0.15"));
    home.loads[0].reports_plugged = true;
    let mut night = Night::new(home, NEED, "2026-01-11T00:00:00Z");
    let plug = |plugged| Input::LoadState { load: LoadId(0), plugged: Some(plugged), ready: None };
    night.bench.input(plug(false));
    night.until("2026-01-11T04:00:00Z", 0.0);
    assert!(night.bench.told("need_not_met").is_empty());
    night.until("2026-01-11T05:00:00Z", 0.0);
    let told = night.bench.told("need_not_met");
    assert_eq!(told, ["Car: 12 kWh by 07:00 needs a start by 05:07, and nothing is plugged in"]);
}

#[test]
fn it_is_counted_from_its_beginning_over_a_restart() {
    let home = || with(night_rate("0.09", "0.15"));
    let mut night = Night::new(home(), NEED, "2026-01-10T23:00:00Z");
    night.until("2026-01-11T01:20:00Z", 0.0);
    let before = night.kwh();
    assert!(before > 3.0, "{before}");
    let mut later =
        Night::again(home(), NEED, night.wall() + Span::minutes(2), night.bench.controller.kept());
    later.until("2026-01-11T07:00:00Z", 0.0);
    // What flowed since the last mark of five minutes may be counted again.
    assert!((before + later.kwh() - 12.0).abs() < 1.0, "{before} and {}", later.kwh());
    assert!(later.kwh() < 12.0 - before + 1.0);
}

#[test]
fn a_new_need_begins_when_the_deadline_has_passed_or_the_rule_asks_again() {
    let mut night = Night::new(with(night_rate("0.09", "0.15")), NEED, "2026-01-10T20:00:00Z");
    night.until("2026-01-11T07:00:00Z", 0.0);
    let first = night.kwh();
    night.until("2026-01-12T07:00:00Z", 0.0);
    near(night.kwh() - first, 12.0);
}

#[test]
fn an_earlier_wish_of_the_rule_stands_while_the_need_waits_and_when_it_is_met() {
    let rule = r#"let car = home.load("car"); car.take_spare("the sun is there");
        car.need_kwh(3, "07:00", "for the morning");"#;
    let mut night = Night::new(with(night_rate("0.09", "0.15")), rule, "2026-06-10T17:00:00Z");
    night.until("2026-06-10T18:00:00Z", 3300.0);
    assert!(night.kwh() > 2.0, "{}", night.kwh());
    night.until("2026-06-10T19:00:00Z", 3300.0);
    assert!(night.kwh() > 4.0, "it goes on with spare power when the need is met: {}", night.kwh());
    assert_eq!(night.reason().split(';').next(), Some("the sun is there"));
}

#[test]
fn while_it_is_met_nothing_is_written_down_again_and_again() {
    let mut night = Night::new(with(night_rate("0.09", "0.15")), NEED, "2026-01-10T20:00:00Z");
    night.until("2026-01-11T06:00:00Z", 0.0);
    let written = night.bench.records().iter().filter(|(_, r)| matches!(r, Record::Memory { .. })).count();
    assert!(written < 20, "{written} in ten hours");
}

#[test]
fn the_same_night_gives_the_same_outputs() {
    let run = || {
        let mut night = Night::new(with(night_rate("0.09", "0.05")), NEED, "2026-10-24T18:00:00Z");
        night.until("2026-10-25T02:00:00Z", 1500.0);
        serde_json::to_string(
            &night.bench.outputs.iter().map(|(t, o): &(Moment, Output)| (t, o)).collect::<Vec<_>>(),
        )
        .unwrap()
    };
    assert_eq!(run(), run());
}
