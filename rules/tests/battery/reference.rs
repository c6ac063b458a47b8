//! A year of half hours against a linear programme: `tests/data/battery_reference_2008_30min.csv`, solved by SciPy's HiGHS
//! apart from this program.

use std::sync::OnceLock;

use jiff::civil::DateTime;
use overspill_rules::answers::battery::{Observed, Outcome, Series, Strategy, Terms, what_if};
use overspill_rules::tariff::{Prices, Tariff};
use overspill_rules::time::WallTime;
use rust_decimal::prelude::ToPrimitive;

use crate::support::{by_time, flat};

const YEAR: &str = include_str!("../../../tests/data/year_2008_30min.csv");
const REFERENCE: &str = include_str!("../../../tests/data/battery_reference_2008_30min.csv");

/// The rows of the year, each with its hour of the day; those with blanks are a gap.
fn year(tariff: Tariff) -> Series {
    let mut series = Series::new(jiff::tz::TimeZone::UTC, Some(tariff));
    for line in YEAR.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        if fields[2].is_empty() {
            continue;
        }
        let number = |n: usize| fields[n].parse::<f64>().unwrap();
        let at = fields[0].parse::<DateTime>().unwrap().to_zoned(jiff::tz::TimeZone::UTC).unwrap();
        let seen = Observed {
            start: WallTime(at.timestamp().as_millisecond()),
            hours: 0.5,
            import_kwh: number(4),
            export_kwh: number(5),
            solar_kwh: number(2),
        };
        series.push(&seen, &Prices::default());
    }
    assert_eq!(series.steps().len(), 16_707);
    series
}

/// The columns by name, for each size.
fn reference() -> &'static [Vec<(String, f64)>] {
    static ROWS: OnceLock<Vec<Vec<(String, f64)>>> = OnceLock::new();
    ROWS.get_or_init(|| {
        let mut lines = REFERENCE.lines();
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        let row = |line: &str| {
            names.iter().map(|n| (*n).to_owned()).zip(line.split(',').map(|v| v.parse().unwrap())).collect()
        };
        lines.map(row).collect()
    })
}

fn column(row: &[(String, f64)], name: &str) -> f64 {
    row.iter().find(|(n, _)| n == name).unwrap().1
}

fn within(found: f64, wanted: f64, share: f64, what: &str) {
    assert!((found / wanted - 1.0).abs() <= share, "{what}: {found} for {wanted}");
}

#[test]
fn at_a_flat_price_storing_surplus_is_the_optimum() {
    let series = year(flat("0.05"));
    assert!(!series.has_cheap_times());
    for row in reference() {
        let terms = Terms::of_size(column(row, "cap_kwh"));
        assert_eq!(terms.power_kw, column(row, "power_kw"));
        for strategy in [Strategy::StoreSurplus, Strategy::Foresight] {
            let found = what_if(&series, &terms, strategy);
            let what = format!("{} kWh, {}", terms.size_kwh, strategy.word());
            within(found.total.import_kwh, column(row, "lp_import"), 1e-6, &what);
            within(found.total.export_kwh, column(row, "greedy_export"), 1e-6, &what);
            within(cost(&found), column(row, "lp_cost_flat"), 1e-6, &what);
        }
    }
}

fn cost(outcome: &Outcome) -> f64 {
    outcome.bill.unwrap().energy().to_f64().unwrap()
}

#[test]
fn foresight_is_the_optimum_by_time_of_use_and_filling_comes_near_to_it() {
    let series = year(by_time("0.05"));
    assert!(series.has_cheap_times());
    // Above the optimum, in percent: at most (what is wanted), and storing surplus alone.
    let shares = [(0.0, 0.0, 0.0), (2.5, 2.0, 10.0), (5.0, 5.0, 21.0), (10.0, 9.0, 43.0)];
    for (row, (size, most, storing)) in reference().iter().zip(shares) {
        assert_eq!(column(row, "cap_kwh"), size);
        let (terms, bound) = (Terms::of_size(size), column(row, "lp_cost_tou"));
        let foresight = what_if(&series, &terms, Strategy::Foresight);
        within(cost(&foresight), bound, 1e-6, "foresight, cost");
        within(foresight.total.import_kwh, column(row, "lp_import_tou"), 1e-6, "foresight, import");
        within(foresight.total.export_kwh, column(row, "lp_export_tou"), 1e-6, "foresight, export");
        let above = |strategy| (cost(&what_if(&series, &terms, strategy)) / bound - 1.0) * 100.0;
        let filling = above(Strategy::FillCheap);
        assert!(filling >= -1e-4 && filling <= most + 1e-4, "{size} kWh: {filling} % above");
        let plain = above(Strategy::StoreSurplus);
        assert!((plain - storing).abs() < 1.0, "{size} kWh: storing surplus {plain} % above");
    }
}
