//! Real files, and what pandas makes of them: `tests/data/report_expected.json`, with the script beside it.

use serde_json::Value;

use crate::support::{Place, data};

/// To a millionth of the figure, as the figures of a year are sums of many thousand numbers.
fn alike(found: &Value, wanted: &Value, what: &str) {
    let (found, wanted) = (found.as_f64().unwrap_or(f64::NAN), wanted.as_f64().unwrap());
    assert!((found - wanted).abs() <= 1e-6 * wanted.abs(), "{what}: {found}, not {wanted}");
}

fn compare(place: &Place, file: &str, args: &[&str]) {
    let told = place.done(&[&["report", "home.toml", "--format", "json"], args].concat());
    let told: Value = serde_json::from_str(&told).unwrap();
    let expected = std::fs::read_to_string(data("report_expected.json")).unwrap();
    let expected: Value = serde_json::from_str(&expected).unwrap();
    for (key, wanted) in expected[file].as_object().unwrap() {
        if key == "peaks" {
            for (flow, peak) in wanted.as_object().unwrap() {
                let found = &told[format!("peak_{flow}_w")];
                alike(&found["value"], &peak["value"], &format!("{file}, peak of {flow}"));
                let time = |v: &Value| v.as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
                assert_eq!(time(&found["at"]), time(&peak["at"]), "{file}, peak of {flow}");
            }
        } else {
            alike(&told[key], wanted, &format!("{file}, {key}"));
        }
    }
    let days = told["days"].as_array().unwrap();
    for flow in ["import_kwh", "export_kwh", "solar_kwh", "house_kwh"] {
        let sum: f64 = days.iter().filter_map(|day| day[flow].as_f64()).sum();
        alike(&sum.into(), &told[flow], &format!("{file}, {flow} of all days"));
    }
}

fn one_minute(file: &str, span: &[&str]) {
    let place = Place::new("America/Denver", &[("grid", "grid"), ("solar", "solar")]);
    let rename = ["--rename", "timestamp_utc=time", "--rename", "pv_w=solar_w"];
    let ignore = ["load_w", "import_w", "export_w", "voltage_v"].map(|c| ["--ignore", c]).concat();
    let path = data(file);
    place.done(&[&["import", "home.toml", path.to_str().unwrap()], &rename[..], &ignore].concat());
    compare(&place, file, span);
}

#[test]
fn a_day_of_broken_cloud() {
    one_minute("broken_cloud_day_1min.csv", &["--from", "2018-10-14", "--to", "2018-10-15"]);
}

#[test]
fn forty_three_hours_of_spring() {
    one_minute("spring_43h_1min.csv", &["--from", "2022-03-18", "--to", "2022-03-20"]);
}

pub(crate) fn year() -> Place {
    let points = [("grid", "grid"), ("solar", "solar"), ("house", "house")];
    let place = Place::new("UTC", &points);
    let names = [
        "timestamp_fixed_offset=time",
        "load_kwh=house_kwh",
        "pv_kwh=solar_kwh",
        "import_kwh=grid_import_kwh",
        "export_kwh=grid_export_kwh",
    ];
    let rename = names.map(|n| ["--rename", n]).concat();
    let file = data("year_2008_30min.csv");
    let import = ["import", "home.toml", file.to_str().unwrap(), "--ignore", "load_filled_min"];
    place.done(&[&import[..], &rename].concat());
    place
}

#[test]
fn a_year_with_days_of_which_a_part_is_not_known() {
    compare(&year(), "year_2008_30min.csv", &["--year", "2008"]);
}
