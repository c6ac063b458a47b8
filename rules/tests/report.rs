//! What a report makes of half hours: shares, nights, peaks, loads, cost, and what can't well be.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use jiff::tz::TimeZone;
use overspill_rules::answers::report::{
    Asked, CarbonFactor, Cell, DarkBy, History, Peak, PriceNews, Report, known_factors, report,
};
use overspill_rules::home::*;
use overspill_rules::output::Flow;
use overspill_rules::tariff::{ExportPrice, ImportPrice, Price, Side, Tariff, Terms};
use overspill_rules::time::{Span, WallTime};
use proptest::prelude::*;
use rust_decimal::Decimal;
use support::*;

const HALF: Span = Span::minutes(30);

fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}

fn near(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 1e-9, "{what}: {found}, not {wanted}");
}

/// A table of whole half hours from `from` on, in mean watts; NaN is not known.
struct Made {
    from: WallTime,
    count: usize,
    flows: Vec<(Flow, Vec<f64>)>,
}

impl Made {
    fn new(from: &str, count: usize) -> Made {
        Made { from: wall(from), count, flows: Vec::new() }
    }

    fn with(mut self, flow: Flow, watts: impl Fn(usize) -> f64) -> Made {
        self.flows.retain(|(of, _)| *of != flow);
        self.flows.push((flow, (0..self.count).map(watts).collect()));
        self
    }

    /// Import, export and house of a grid and a roof.
    fn balanced(self, solar: impl Fn(usize) -> f64, house: impl Fn(usize) -> f64) -> Made {
        let grid: Vec<f64> = (0..self.count).map(|i| house(i) - solar(i)).collect();
        let (import, export) = (grid.clone(), grid);
        self.with(Flow::Import, |i| import[i].max(0.0))
            .with(Flow::Export, |i| (-export[i]).max(0.0))
            .with(Flow::Solar, solar)
            .with(Flow::House, house)
    }

    fn history(&self, zone: &TimeZone) -> History {
        let to = self.from + Span(HALF.0 * self.count as i64);
        let mut history = History::new(self.from, to, zone);
        for (flow, watts) in &self.flows {
            for (i, watts) in watts.iter().enumerate().filter(|(_, watts)| !watts.is_nan()) {
                let start = self.from + Span(HALF.0 * i as i64);
                let peak = (*watts > 0.0).then_some(Peak {
                    watts: *watts * 1.5,
                    at: start + Span::minutes(7),
                    is_reading: true,
                });
                history.put(*flow, start, Cell { kwh: watts / 2000.0, covered_s: 1800.0, peak });
            }
        }
        history
    }

    fn report(&self, home: &Home) -> Report {
        self.asked(home, |asked| report(&asked))
    }

    fn asked<T>(&self, home: &Home, then: impl FnOnce(Asked<'_>) -> T) -> T {
        let history = self.history(&home.timezone);
        then(Asked {
            home,
            history: &history,
            tariff: home.tariff.as_ref(),
            prices: &[],
            carbon: &[],
            roof_w: None,
            starts: &[],
        })
    }
}

fn codes(report: &Report) -> Vec<&str> {
    report.doubts.iter().map(|doubt| doubt.code).collect()
}

/// Luthander, Widén, Nilsson, Palm, Applied Energy 142 (2015) 80-94: equations; figures computed.
#[test]
fn shares_are_those_of_the_literature() {
    let (load, sun) = ([0.3, 0.5, 0.4, 2.0], [0.0, 1.2, 2.0, 0.5]);
    let made = Made::new("2026-06-01T10:00:00Z", 4).balanced(|i| sun[i] * 2000.0, |i| load[i] * 2000.0);
    let totals = made.report(&home(vec![], false)).totals;
    near(totals.self_use_kwh.unwrap(), 1.4, "used at home");
    near(totals.self_consumption.unwrap(), 1.4 / 3.7, "self-consumption");
    near(totals.self_sufficiency.unwrap(), 0.4375, "self-sufficiency");
    near(totals.import.unwrap().kwh, 1.8, "import");
    near(totals.export.unwrap().kwh, 2.3, "export");
}

#[test]
fn a_share_of_nothing_is_no_share() {
    let made = Made::new("2026-06-01T10:00:00Z", 4).balanced(|_| 0.0, |_| 0.0);
    let totals = made.report(&home(vec![], false)).totals;
    assert_eq!((totals.self_consumption, totals.self_sufficiency), (None, None));
    let grid_only =
        Made::new("2026-06-01T10:00:00Z", 4).with(Flow::Import, |_| 500.0).with(Flow::House, |_| 500.0);
    let totals = grid_only.report(&home(vec![], false)).totals;
    assert_eq!((totals.solar, totals.self_consumption, totals.self_sufficiency), (None, None, None));
}

#[test]
fn what_is_not_known_lowers_coverage_and_counts_for_nothing() {
    // Of eight half hours the grid is not known in two, so that six tell of export.
    let grid = |watts: f64| move |i: usize| if i < 2 { f64::NAN } else { watts };
    let made = Made::new("2026-06-01T08:00:00Z", 8)
        .with(Flow::Solar, |_| 2000.0)
        .with(Flow::Export, grid(1000.0))
        .with(Flow::Import, grid(0.0))
        .with(Flow::House, grid(1000.0));
    let report = made.report(&home(vec![], false));
    let totals = &report.totals;
    near(totals.covered, 0.75, "covered");
    near(totals.solar.unwrap().covered, 1.0, "the roof");
    near(totals.solar.unwrap().kwh, 8.0, "made");
    near(totals.export.unwrap().kwh, 3.0, "sent out");
    near(totals.self_use_kwh.unwrap(), 3.0, "used of the six half hours alone");
    near(totals.self_consumption.unwrap(), 0.5, "self-consumption");
}

#[test]
fn ten_watts_in_the_dark_are_set_aside_and_told() {
    let london = Home { coordinates: Some((51.5, -0.1)), ..home(vec![], false) };
    // Dark from 20:30 to 04:00 UTC in June, well inside the real night.
    let sun = |i: usize| if (8..=40).contains(&(i % 48)) { 800.0 } else { 10.0 };
    let made = Made::new("2026-06-19T23:00:00Z", 96).balanced(move |i| sun(i + 46), |_| 300.0);
    for (home, by) in [(london.clone(), DarkBy::Sun), (home(vec![], false), DarkBy::Quiet)] {
        let report = made.report(&home);
        assert_eq!(report.dark_by, by);
        let totals = &report.totals;
        assert!(totals.noise_kwh > 0.05 && totals.noise_kwh < 0.16, "{by:?}: {}", totals.noise_kwh);
        let all: f64 = (0..96).map(|i| sun(i + 46) / 2000.0).sum();
        near(totals.solar.unwrap().kwh + totals.noise_kwh, all, "nothing is lost");
        near(totals.house.unwrap().kwh + totals.noise_kwh, 96.0 * 0.15, "nor in what follows from it");
        assert!(!codes(&report).contains(&"sun-at-night"), "{:?}", report.doubts);
    }
    let kept = Home {
        points: [home(vec![], false).points, vec![point("house", Measures::House, Positive::Use)]].concat(),
        ..london
    };
    near(made.report(&kept).totals.house.unwrap().kwh, 96.0 * 0.15, "a measured house stands");
}

/// Half hours of a year that are taken for dark, counted against those in which the sun is down: never more, and
/// nearly as many. Places north, south, east and west of Greenwich, and one with a midnight sun.
#[test]
fn dark_is_where_the_sun_is_down() {
    use overspill_rules::sun;
    for (zone, place) in [
        ("Europe/London", (51.5, -0.1)),
        ("America/Denver", (39.7, -105.2)),
        ("Pacific/Auckland", (-36.8, 174.8)),
        ("Pacific/Apia", (-13.8, -171.8)),
        ("Europe/Oslo", (69.6, 18.9)),
    ] {
        let one =
            Home { coordinates: Some(place), timezone: TimeZone::get(zone).unwrap(), ..home(vec![], false) };
        let made = Made::new("2026-01-01T00:00:00Z", 17_520).with(Flow::Solar, |_| 10.0);
        let days = made.report(&one).days;
        let up = |at: WallTime| sun::position(at, place).unwrap().is_up;
        let down = (0..17_520_i64)
            .map(|i| made.from + Span(HALF.0 * i))
            .filter(|at| !up(*at) && !up(*at + Span::minutes(15)) && !up(*at + HALF))
            .count() as f64;
        let found: f64 = days.iter().map(|day| day.totals.noise_kwh).sum::<f64>() / 0.005;
        assert!(found <= down + 0.5 && found > down * 0.93, "{zone}: {found} of {down}");
    }
}

#[test]
fn a_dim_day_between_dark_nights_is_no_noise() {
    // Nights read exactly 0; a day under snow gives up to 15 W.
    let sun = |i: usize| if (16..32).contains(&(i % 48)) { 15.0 } else { 0.0 };
    let totals =
        Made::new("2026-01-10T00:00:00Z", 144).balanced(sun, |_| 300.0).report(&home(vec![], false)).totals;
    assert_eq!(totals.noise_kwh, 0.0);
    near(totals.solar.unwrap().kwh, 3.0 * 16.0 * 0.0075, "made");
}

#[test]
fn the_night_floor_is_the_median_of_the_least_hours_without_loads() {
    let car_home = home(vec![car()], true);
    // Nights of 100, 120 and 400 W; the car takes 7 kW in the second.
    let base = |i: usize| [100.0, 120.0, 400.0][i / 48] + if i % 48 == 4 { 900.0 } else { 0.0 };
    let car = |i: usize| if i / 48 == 1 && i % 48 < 12 { 7000.0 } else { 0.0 };
    let made = Made::new("2026-01-10T00:00:00Z", 144)
        .with(Flow::House, |i| base(i) + car(i))
        .with(Flow::Load(LoadId(0)), car);
    let night = made.report(&car_home).night.unwrap();
    near(night.watts, 120.0, "median");
    assert_eq!(night.nights, 3);
    // A night of which less than four hours are known does not count.
    let holes = made.with(Flow::House, |i| if i < 48 && i % 48 >= 6 { f64::NAN } else { base(i) + car(i) });
    assert_eq!(holes.report(&car_home).night.unwrap().nights, 2);
}

#[test]
fn export_is_told_by_hours_and_days_and_the_usual_hours() {
    let sun = |i: usize| if (22..26).contains(&(i % 48)) && i < 96 { 2000.0 } else { 0.0 };
    let made = Made::new("2026-01-10T00:00:00Z", 144).balanced(sun, |_| 100.0);
    let exports = made.report(&home(vec![], false)).exports;
    assert_eq!((exports.hours, exports.days, exports.days_known), (4, 2, 3));
    assert_eq!(exports.usual, Some((11, 13)));
    near(exports.by_hour[11], 2.0 * 1.9, "eleven o'clock");
    // 0.05 kWh in an hour is the least that does not count.
    let faint = Made::new("2026-01-10T00:00:00Z", 48)
        .with(Flow::Export, |i| if i < 4 { [49.0, 50.0, 51.0, 50.0][i] } else { 0.0 });
    assert_eq!(faint.report(&home(vec![], false)).exports.hours, 1);
}

#[test]
fn the_hour_that_comes_twice_is_two_hours() {
    // 25 October 2026: 01:00 comes twice in London.
    let made = Made::new("2026-10-24T23:00:00Z", 50).with(Flow::Export, |_| 1000.0);
    let report = made.report(&home(vec![], false));
    assert_eq!((report.exports.hours, report.days.len()), (25, 1));
    near(report.exports.by_hour[1], 2.0, "both of them");
}

#[test]
fn peaks_are_one_a_day_with_what_ran() {
    let two = home(vec![car(), water()], true);
    let import = |i: usize| {
        if i == 20 {
            5000.0
        } else if i == 60 {
            9000.0
        } else {
            200.0
        }
    };
    let made = Made::new("2026-01-10T00:00:00Z", 96)
        .with(Flow::Import, import)
        .with(Flow::House, import)
        .with(Flow::Load(LoadId(0)), |i| if i == 60 { 6500.0 } else { 0.0 })
        .with(Flow::Load(LoadId(1)), |i| if i == 60 { 40.0 } else { 0.0 });
    let peaks = made.report(&two).peaks;
    assert_eq!(peaks.len(), 2);
    near(peaks[0].peak.watts, 13_500.0, "the reading, not the mean");
    assert_eq!(peaks[0].peak.at, wall("2026-01-11T06:07:00Z"));
    assert_eq!(peaks[0].running, [(LoadId(0), 6500.0)]);
    near(peaks[0].rest_w.unwrap(), 9000.0 - 6540.0, "the rest");
    near(peaks[1].peak.watts, 7500.0, "the other day");
}

#[test]
fn a_load_is_fed_by_what_the_roof_has_left_after_the_rest() {
    let two = home(vec![car(), water()], true);
    // 3 kW of sun, 1 kW of base: 2 kW spare for 3 kW of car and 1 kW of water.
    let made = Made::new("2026-06-01T10:00:00Z", 2)
        .balanced(|_| 3000.0, |_| 5000.0)
        .with(Flow::Load(LoadId(0)), |_| 3000.0)
        .with(Flow::Load(LoadId(1)), |_| 1000.0);
    let loads = made.report(&two).loads;
    near(loads[0].from_spare_kwh, 1.5, "car, spare");
    near(loads[0].from_grid_kwh, 1.5, "car, grid");
    near(loads[1].from_spare_kwh, 0.5, "water, spare");
    // Split off before the clamps: nothing of it is the roof's.
    let outside = home(vec![Load { counted_by: CountedBy::Nothing, ..car() }, water()], true);
    let loads = made.report(&outside).loads;
    near(loads[0].from_grid_kwh, 3.0, "outside the clamps");
    // Where the roof is not known, nor is where it came from.
    let blind = Made::new("2026-06-01T10:00:00Z", 2).with(Flow::Load(LoadId(0)), |_| 3000.0).report(&two);
    near(blind.loads[0].unknown_kwh, 3.0, "not known");
}

fn terms(import: ImportPrice, export: ExportPrice) -> Terms {
    Terms {
        vat_percent: Decimal::ZERO,
        standing_per_day: Decimal::new(50, 2),
        import,
        export,
        generation: Decimal::ZERO,
    }
}

#[test]
fn cost_adds_up_by_day_and_takes_listed_prices_of_a_whole_year() {
    let tariff =
        Tariff::new("GBP".into(), terms(ImportPrice::Listed, ExportPrice::Flat(Decimal::new(15, 2))), vec![]);
    let priced = Home { tariff: Some(tariff), timezone: TimeZone::UTC, ..home(vec![], false) };
    let days = 300;
    let made = Made::new("2026-01-01T00:00:00Z", 48 * days)
        .balanced(|i| if i % 48 == 24 { 3000.0 } else { 0.0 }, |_| 1000.0);
    let news: Vec<PriceNews> = (0..days as i64)
        .map(|day| {
            let at = wall("2026-01-01T00:00:00Z") + Span::hours(24 * day);
            let price = |hour: i64| Price {
                from: at + Span::hours(hour),
                to: None,
                price: Decimal::new(20 + day % 2, 2),
            };
            PriceNews { at, side: Side::Import, prices: (0..24).map(price).collect() }
        })
        .collect();
    let money = made.asked(&priced, |asked| report(&Asked { prices: &news, ..asked })).money.unwrap();
    assert_eq!(money.bill.unpriced_kwh, Decimal::ZERO);
    // 23.5 kWh bought a day, at 0.20 and 0.21 by turns; 1 kWh sent out.
    assert_eq!(money.bill.import, Decimal::new(2350, 2) * Decimal::new(205, 3) * Decimal::from(days));
    assert_eq!(money.bill.export, Decimal::new(15, 2) * Decimal::from(days));
    assert_eq!(money.bill.standing, Decimal::new(50, 2) * Decimal::from(days));
    assert_eq!(money.days.iter().map(|d| d.import).sum::<Decimal>(), money.bill.import);
    let without = made.report(&priced).money.unwrap();
    assert_eq!(without.bill.import, Decimal::ZERO);
    assert_eq!(without.bill.unpriced_kwh, Decimal::new(235, 1) * Decimal::from(days));
}

/// UK government conversion factors, 2025: 0.17700 kg/kWh; 1000 kWh are 177.0 kg.
#[test]
fn carbon_goes_by_the_factor_of_the_year() {
    let factors = known_factors("Europe/London");
    assert!(known_factors("Europe/Paris").is_empty());
    let made = Made::new("2025-06-01T00:00:00Z", 2000).with(Flow::Import, |_| 1000.0);
    let carbon = |factors: &[CarbonFactor]| {
        made.asked(&home(vec![], false), |asked| report(&Asked { carbon: factors, ..asked })).carbon
    };
    let found = carbon(&factors).unwrap();
    near(found.kg, 177.0, "a thousand kilowatt-hours");
    assert_eq!(found.used.len(), 1);
    let own = CarbonFactor { year: None, kg_per_kwh: 0.05, source: "our supplier".into() };
    near(carbon(&[own]).unwrap().kg, 50.0, "the home's own");
    assert_eq!(carbon(&[]), None);
}

/// Three plain days: sun by day, 300 W of use.
fn plain() -> Made {
    Made::new("2026-06-01T00:00:00Z", 144).balanced(day_sun, use_that_moves)
}

fn day_sun(i: usize) -> f64 {
    if (14..34).contains(&(i % 48)) { 900.0 + (i * 37 % 101) as f64 } else { 0.0 }
}

fn use_that_moves(i: usize) -> f64 {
    300.0 + (i * 53 % 97) as f64
}

#[test]
fn a_healthy_home_raises_no_doubt() {
    assert!(codes(&plain().report(&home(vec![], false))).is_empty());
    let sized = plain().asked(&home(vec![], false), |asked| report(&Asked { roof_w: Some(2000.0), ..asked }));
    assert!(sized.doubts.is_empty(), "{:?}", sized.doubts);
}

#[test]
fn what_can_not_be_is_told_in_words() {
    let one = home(vec![], false);
    let night = Made::new("2026-06-01T00:00:00Z", 144)
        .balanced(|i| day_sun(i) + 200.0 + (i % 7) as f64, |i| 1500.0 + use_that_moves(i));
    assert_eq!(codes(&night.report(&one)), ["sun-at-night"]);
    assert_eq!(
        codes(&night.report(&Home { coordinates: Some((51.5, -0.1)), ..one.clone() })),
        ["sun-at-night"]
    );

    let reversed = Made::new("2026-06-01T00:00:00Z", 48)
        .with(Flow::Solar, day_sun)
        .with(Flow::Import, |_| 0.0)
        .with(Flow::Export, |i| day_sun(i) + use_that_moves(i));
    assert_eq!(codes(&reversed.report(&one)), ["use-below-zero"]);

    let small = plain().asked(&one, |asked| report(&Asked { roof_w: Some(1000.0), ..asked }));
    assert_eq!(codes(&small), ["beyond-the-roof"]);

    let stuck = plain().with(Flow::Solar, |i| if (60..70).contains(&i) { 1234.0 } else { day_sun(i) });
    let doubts = stuck.report(&one).doubts;
    assert!(doubts.iter().any(|d| d.code == "stuck" && d.text.contains("1234 W for 5 h")), "{doubts:?}");

    let silent = plain().with(Flow::Solar, |i| if (60..70).contains(&i) { f64::NAN } else { day_sun(i) });
    let doubts = silent.report(&one).doubts;
    assert_eq!(doubts.len(), 1);
    assert!(doubts[0].text.starts_with("The solar meter was silent for 5 h in all"), "{doubts:?}");
}

#[test]
fn a_load_far_from_its_rating_is_told() {
    let pumped = |watts: f64| {
        let pump_home = home(vec![pump()], true);
        let made =
            plain().with(Flow::Load(LoadId(0)), move |i| if (20..32).contains(&i) { watts } else { 0.0 });
        made.report(&pump_home).doubts
    };
    assert!(pumped(1000.0).is_empty() && pumped(700.0).is_empty());
    assert_eq!(pumped(450.0)[0].code, "off-rating");
    assert!(pumped(1300.0)[0].text.contains("1300 W"));
    // Unmetered, its draw is only what the program takes it to be.
    let unmetered = plain().with(Flow::Load(LoadId(0)), |_| 450.0).report(&home(vec![pump()], false));
    assert!(codes(&unmetered).is_empty());
}

proptest! {
    /// Whatever the readings: what loads took has one source each, days add up to the whole, shares follow the totals.
    #[test]
    fn parts_add_up(
        sun in prop::collection::vec(0.0..6000.0, 200),
        base in prop::collection::vec(0.0..4000.0, 200),
        load in prop::collection::vec(0.0..7000.0, 200),
        unknown in prop::collection::vec(prop::bool::weighted(0.1), 200),
    ) {
        let hole = |i: usize, watts: f64| if unknown[i] { f64::NAN } else { watts };
        let grid = |i: usize| -> f64 { base[i] + load[i] - sun[i] };
        let made = Made::new("2026-03-27T00:00:00Z", 200)
            .with(Flow::Import, |i| hole(i, grid(i).max(0.0)))
            .with(Flow::Export, |i| hole(i, (-grid(i)).max(0.0)))
            .with(Flow::Solar, |i| hole(i, sun[i]))
            .with(Flow::House, |i| hole(i, base[i] + load[i]))
            .with(Flow::Load(LoadId(0)), |i| load[i]);
        let report = made.report(&home(vec![car()], true));
        let totals = &report.totals;
        let close = |a: f64, b: f64| (a - b).abs() < 1e-6;
        let share = report.loads[0];
        prop_assert!(close(share.from_spare_kwh + share.from_grid_kwh + share.unknown_kwh, share.kwh));
        prop_assert!(share.from_spare_kwh >= 0.0 && share.from_grid_kwh >= 0.0);
        let (solar, export) = (totals.solar.unwrap().kwh, totals.export.unwrap().kwh);
        let (house, import) = (totals.house.unwrap().kwh, totals.import.unwrap().kwh);
        prop_assert!(close(house, import - export + solar));
        prop_assert!(close(totals.self_use_kwh.unwrap(), solar - export));
        prop_assert!(close(totals.self_sufficiency.unwrap(), (house - import) / house));
        let by_day = |f: fn(&overspill_rules::answers::report::Totals) -> f64| report.days.iter().map(|d| f(&d.totals)).sum::<f64>();
        prop_assert!(close(by_day(|t| t.solar.map_or(0.0, |e| e.kwh)), solar));
        prop_assert!(close(by_day(|t| t.import.map_or(0.0, |e| e.kwh)), import));
        prop_assert_eq!(report.days.iter().map(|d| d.export_hours).sum::<u32>(), report.exports.hours);
        let known = unknown.iter().filter(|u| !**u).count() as f64 / 200.0;
        prop_assert!(close(totals.covered, known));
    }
}
