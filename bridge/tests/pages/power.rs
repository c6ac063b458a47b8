//! Power of a span.

use serde_json::Value;

use crate::running::{HOME, Running, import, number};
use crate::support::{Place, near};

fn columns<'a>(answer: &'a Value, point: &str) -> &'a [Value] {
    let points = answer["power"].as_array().unwrap();
    let own = points.iter().find(|p| p["point"] == point).unwrap();
    own["columns"].as_array().unwrap()
}

fn greatest(columns: &[Value]) -> f64 {
    columns.iter().filter_map(|column| number(column, "max_w")).fold(f64::MIN, f64::max)
}

/// Thirty days, and in the last one a single minute of 9 kW.
fn month() -> Place {
    let place = Place::with("Europe/London", HOME);
    import(&place, "2024-02-01", 0..30 * 1440, 29 * 1440 + 1000..29 * 1440 + 1001);
    place.write("spike.csv", "time,grid_w\n2024-03-01T16:40:00Z,9000\n");
    place.done(&["import", "home.toml", "spike.csv", "--stands", "1m"]);
    place
}

#[test]
fn no_spike_is_lost_however_long_the_span() {
    let place = month();
    let program = Running::of(&place);
    for (span, least) in [
        ("from=2024-03-01", 400),
        ("from=2024-02-01&to=2024-03-01", 300),
        ("from=2024-01-01&to=2024-12-31", 40),
    ] {
        let answer = program.json(&format!("/api/history?{span}&what=power"));
        let grid = columns(&answer, "grid");
        assert!((least..=480).contains(&grid.len()), "{span}: {}", grid.len());
        assert_eq!(greatest(grid), 9000.0, "{span}");
        let page = program.page(&format!("/history?{span}"));
        assert!(page.contains("Grid: at most in 9.00 kW about "), "{span}");
    }
    let fewer = program.json("/api/history?from=2024-02-01&to=2024-03-01&what=power&columns=10");
    assert!(columns(&fewer, "grid").len() <= 10);
    assert_eq!(greatest(columns(&fewer, "grid")), 9000.0);
}

#[test]
fn what_was_put_right_is_drawn_right_from_each_reading() {
    let place = month();
    let before = Running::of(&place).json("/api/history?from=2024-02-10&what=power");
    let correct = ["correct", "home.toml", "solar", "--scale", "0.5", "--by", "Ada", "--yes"];
    place.done(&[&correct[..], &["--from", "2024-02-09", "--to", "2024-02-11"]].concat());
    let program = Running::of(&place);
    let after = program.json("/api/history?from=2024-02-10&what=power");
    let (was, is) = (columns(&before, "solar"), columns(&after, "solar"));
    assert_eq!(was.len(), is.len());
    for (was, is) in was.iter().zip(is) {
        assert_eq!((&was["from_s"], &was["count"]), (&is["from_s"], &is["count"]));
        for key in ["min_w", "max_w", "mean_w"] {
            near(number(is, key).unwrap(), number(was, key).unwrap() / 2.0, key);
        }
    }
    assert_eq!(columns(&before, "grid"), columns(&after, "grid"), "the other point is as it was");
    // Too long to go through each reading: said, not left out silently.
    let long = program.page("/history?from=2024-02-01&to=2024-02-29");
    assert!(long.contains("Roof: its readings have to be worked out one by one"), "{long}");
    let elsewhere = program.page("/history?from=2024-02-20&to=2024-03-01");
    assert!(!elsewhere.contains("one by one"), "where nothing was put right");
}

#[test]
fn imported_energy_has_no_curves() {
    let place = Place::with("Europe/London", HOME);
    let rows = (0..48).map(|n| format!("2024-02-10T{:02}:{:02}:00Z,0.1\n", n / 2, n % 2 * 30));
    place.write("energy.csv", &format!("time,grid_import_kwh\n{}", rows.collect::<String>()));
    place.done(&["import", "home.toml", "energy.csv"]);
    let program = Running::of(&place);
    let page = program.page("/history?from=2024-02-10");
    assert!(page.contains("4.80 kWh were bought"), "{page}");
    assert!(!page.contains("<h2 id=\"power\">"));
}
