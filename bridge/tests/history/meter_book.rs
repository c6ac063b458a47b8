//! The meter book through the command line: what the billing meter showed against what the clamps counted.

use crate::support::Place;

/// Thirty days: 1250 W bought for 16 hours of each, 20 kWh, and sent out for 8 hours, 10 kWh; 15 kWh from the roof.
fn month(scale: f64) -> Place {
    let place = Place::new("Europe/London", &[("grid", "grid"), ("solar", "solar")]);
    let mut csv = "time,grid_w,solar_w\n".to_owned();
    let begin: jiff::Timestamp = "2026-05-31T23:00:00Z".parse().unwrap();
    for half_hour in 0..30 * 48_i64 {
        let at = begin + jiff::SignedDuration::from_mins(30 * half_hour);
        let sent_out = (20..36).contains(&(half_hour % 48));
        let grid_w = if sent_out { -1250.0 } else { 1250.0 } * scale;
        csv.push_str(&format!("{at},{grid_w},625\n"));
    }
    place.write("in.csv", &csv);
    place.done(&["import", "home.toml", "in.csv"]);
    place
}

fn enter(place: &Place, register: &str, kwh: &str, at: &str, more: &[&str]) -> String {
    let args = ["meter-book", "home.toml", "enter", register, kwh, "--at", at, "--by", "Ada"];
    place.done(&[&args, more].concat())
}

#[test]
fn clamps_within_the_classes_agree() {
    let place = month(1.0);
    let nothing = place.done(&["meter-book", "home.toml"]);
    let first = enter(&place, "import", "1000.0", "2026-06-01T08:00", &[]);
    enter(&place, "import", "1141.9", "2026-06-08T08:00", &[]);
    enter(&place, "import", "1284.2", "2026-06-15T08:00", &[]);
    enter(&place, "export", "500", "2026-06-01T08:00", &[]);
    enter(&place, "export", "510", "2026-06-01T20:00", &[]);
    enter(&place, "generation", "99980", "2026-06-02", &["--digits", "5"]);
    enter(&place, "generation", "00130", "2026-06-12", &["--digits", "5"]);
    let book = place.done(&["meter-book", "home.toml"]);
    assert!(book.lines().all(|line| line.chars().count() <= 80), "{book}");
    insta::assert_snapshot!([nothing, first, book].join("---\n"));
}

#[test]
fn a_clamp_of_half_the_ratio_is_found_and_a_factor_offered() {
    let place = month(0.5);
    for (register, first, last) in [("import", "1000.0", "1400.0"), ("export", "0.0", "200.1")] {
        enter(&place, register, first, "2026-06-01", &[]);
        enter(&place, register, last, "2026-06-21", &[]);
    }
    let ran = place.run(&["meter-book", "home.toml"]);
    assert_eq!(ran.code(), 1, "{}", ran.err());
    insta::assert_snapshot!(ran.out());
    let json: serde_json::Value =
        serde_json::from_str(&place.run(&["meter-book", "home.toml", "--format", "json"]).out()).unwrap();
    let offer = &json["offers"][0];
    assert_eq!(offer["point"], "grid");
    assert!((offer["factor"].as_f64().unwrap() - 2.0).abs() < 1e-3, "{offer}");
    // What is offered puts it right.
    let factor = offer["factor"].to_string();
    let correct =
        ["correct", "home.toml", "grid", "--scale", &factor, "--from", "2026-06-01", "--to", "2026-06-20"];
    place.done(&[&correct[..], &["--by", "Ada", "--yes"]].concat());
    place.done(&["meter-book", "home.toml"]);
}

#[test]
fn factors_that_differ_are_no_scale() {
    let place = month(0.5);
    for (register, first, last) in [("import", "1000.0", "1400.0"), ("export", "0.0", "150.0")] {
        enter(&place, register, first, "2026-06-01", &[]);
        enter(&place, register, last, "2026-06-21", &[]);
    }
    let told = place.run(&["meter-book", "home.toml"]).out();
    assert!(told.contains("off by different factors") && !told.contains("overspill correct"), "{told}");
}

#[test]
fn what_can_not_be_entered_says_why() {
    let place = month(1.0);
    enter(&place, "import", "1000.0", "2026-06-01T08:00", &[]);
    let refused = |args: &[&str]| {
        let ran = place.run(&[&["meter-book", "home.toml"], args].concat());
        assert_eq!(ran.code(), 2);
        ran.err()
    };
    let told = [
        refused(&["enter", "import", "990.0", "--at", "2026-06-02", "--by", "Ada"]),
        refused(&["enter", "import", "1010.0", "--at", "2026-05-02", "--by", "Ada"]),
        refused(&["enter", "import", "12,5", "--by", "Ada"]),
        refused(&["enter", "heat", "12", "--by", "Ada"]),
        refused(&["enter", "import", "2000", "--at", "2089-01-01", "--by", "Ada"]),
        refused(&["strike", "import", "--at", "2026-06-05"]),
    ];
    insta::assert_snapshot!(told.join("---\n"));
    place.done(&["meter-book", "home.toml", "strike", "import", "--at", "2026-06-01T08:00"]);
    enter(&place, "import", "0.0", "2026-06-03", &["--new-meter"]);
}
