//! Real files, and what pandas makes of them: `tests/data/history_expected.json`, with the script beside it.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::support::{EVER, Place, data, near};

/// Imports a file, and compares the flows by day and in total.
fn compare(place: &Place, file: &str, path: &str, args: &[&str]) {
    place.done(&[&["import", "home.toml", path], args].concat());
    let expected: Value =
        serde_json::from_str(&std::fs::read_to_string(data("history_expected.json")).unwrap()).unwrap();
    let reader = place.reader();
    for (flow, figures) in expected[file].as_object().unwrap() {
        let (kwh, covered_s) = place.total(flow);
        near(kwh, figures["kwh"].as_f64().unwrap(), &format!("{file}, {flow}"));
        near(covered_s, figures["covered_s"].as_f64().unwrap(), &format!("{file}, {flow}, coverage"));
        let days = reader.days(EVER.0, EVER.1).unwrap();
        let days: BTreeMap<&str, (f64, f64)> = days
            .iter()
            .filter(|d| d.flow == *flow)
            .map(|d| (d.date.as_str(), (d.kwh, d.covered_s)))
            .collect();
        let wanted = figures["days"].as_object().unwrap();
        assert_eq!(days.len(), wanted.len(), "{file}, {flow}: days");
        for (date, day) in wanted {
            let (kwh, covered_s) = days[date.as_str()];
            near(kwh, day["kwh"].as_f64().unwrap(), &format!("{file}, {flow}, {date}"));
            near(covered_s, day["covered_s"].as_f64().unwrap(), &format!("{file}, {flow}, {date}, coverage"));
        }
    }
}

#[test]
fn one_minute_power_of_grid_and_roof() {
    for file in ["broken_cloud_day_1min.csv", "spring_43h_1min.csv"] {
        let place = Place::new("America/Denver", &[("grid", "grid"), ("solar", "solar")]);
        let rename = ["--rename", "timestamp_utc=time", "--rename", "pv_w=solar_w"];
        let ignore = ["load_w", "import_w", "export_w", "voltage_v"].map(|c| ["--ignore", c]).concat();
        compare(&place, file, data(file).to_str().unwrap(), &[&rename[..], &ignore].concat());
    }
}

#[test]
fn one_minute_power_in_kilowatts_with_rows_that_are_missing() {
    let place = Place::new("Europe/Paris", &[("house", "house")]);
    let file = "household_with_hole_3d_1min.csv";
    let text = std::fs::read_to_string(data(file)).unwrap();
    let kept: Vec<&str> = text.lines().filter(|line| !line.ends_with(",1")).collect();
    assert_eq!(kept.len(), 1 + 4320 - 24);
    place.write("kept.csv", &kept.join("\n"));
    let rename = ["--rename", "timestamp_local=time", "--rename", "active_power_kw=house_kw"];
    let others = ["reactive_power_kvar", "voltage_v", "current_a", "sub1_wh", "sub2_wh", "sub3_wh", "filled"];
    let ignore = others.map(|c| ["--ignore", c]).concat();
    compare(&place, file, "kept.csv", &[&rename[..], &ignore].concat());
}

#[test]
fn a_year_of_half_hours_with_a_month_of_blanks() {
    let place = Place::new("UTC", &[("grid", "grid"), ("solar", "solar"), ("house", "house")]);
    let file = "year_2008_30min.csv";
    let names = [
        "timestamp_fixed_offset=time",
        "load_kwh=house_kwh",
        "pv_kwh=solar_kwh",
        "import_kwh=grid_import_kwh",
        "export_kwh=grid_export_kwh",
    ];
    let rename = names.map(|n| ["--rename", n]).concat();
    let args = [&rename[..], &["--ignore", "load_filled_min"]].concat();
    compare(&place, file, data(file).to_str().unwrap(), &args);
}

#[test]
fn local_times_over_both_changes_of_the_clock() {
    for file in ["roof_clocks_forward_5d_15min.csv", "roof_clocks_back_5d_15min.csv"] {
        let place = Place::new("America/Denver", &[("solar", "solar")]);
        let rename = ["--rename", "timestamp_logger=time", "--rename", "ac_power_w=solar_w"];
        compare(&place, file, data(file).to_str().unwrap(), &rename);
    }
}
