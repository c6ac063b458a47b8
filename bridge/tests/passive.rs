//! Points judged from the journal alone, on journals made by importing real files, clean and with a fault put in.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "history/support.rs"]
#[allow(dead_code)]
mod support;

use overspill::commission::passive::{json, judge, text};
use overspill::config;
use overspill_rules::commission::passive::PassiveReport;
use overspill_rules::home::Home;
use support::{EVER, Place, data};

const POINTS: &str = "[point.grid]\nmeasures = \"grid\"\ntopic = \"meter/grid\"\nunit = \"W\"\npositive = \"import\"\n\
    interval = \"60s\"\n\n[point.solar]\nmeasures = \"solar\"\ntopic = \"meter/solar\"\nunit = \"W\"\ninterval = \"60s\"\n";

/// A home at the roof's place, with the file's rows as `change` makes them of grid and roof.
fn imported(file: &str, place: bool, change: impl Fn(f64, f64) -> (f64, f64)) -> (Place, Home) {
    let home = Place::with("America/Denver", POINTS);
    let text = std::fs::read_to_string(home.path("home.toml")).unwrap();
    if place {
        let known = text.replace("\n[supply]", "latitude = 39.74\nlongitude = -105.18\n\n[supply]");
        home.write("home.toml", &known);
    }
    let rows = std::fs::read_to_string(data(file)).unwrap();
    let mut csv = "time,grid_w,solar_w\n".to_owned();
    for row in rows.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let (grid, solar) = change(cells[3].parse().unwrap(), cells[2].parse().unwrap());
        csv += &format!("{},{grid:.2},{solar:.2}\n", cells[0]);
    }
    home.write("history.csv", &csv);
    home.done(&["import", "home.toml", "history.csv"]);
    let described = config::read(&home.path("home.toml")).unwrap().home;
    (home, described)
}

fn judged(place: &Place, home: &Home) -> PassiveReport {
    judge(&place.reader(), home, EVER, |_| {}).unwrap()
}

#[test]
fn two_spring_days_that_were_well_measured() {
    let (place, home) = imported("spring_43h_1min.csv", true, |grid, solar| (grid, solar));
    let report = judged(&place, &home);
    assert!(report.may_be_good && !report.is_wrong());
    let lines = text(&home, &report, 80);
    assert!(lines.lines().all(|l| l.chars().count() <= 80), "{lines}");
    insta::assert_snapshot!(lines);
}

#[test]
fn a_grid_clamp_the_wrong_way_round_on_a_narrow_screen() {
    let (place, home) = imported("spring_43h_1min.csv", true, |grid, solar| (-grid, solar));
    let report = judged(&place, &home);
    assert!(report.is_wrong());
    let lines = text(&home, &report, 40);
    assert!(lines.lines().all(|l| l.chars().count() <= 40), "{lines}");
    insta::assert_snapshot!(lines);
    insta::assert_snapshot!(
        "a_grid_clamp_the_wrong_way_round_as_json",
        format!("{:#}", json(&home, &report))
    );
}

#[test]
fn points_exchanged_under_broken_cloud_without_a_place_on_earth() {
    let (place, home) = imported("broken_cloud_day_1min.csv", false, |grid, solar| (solar, grid));
    let report = judged(&place, &home);
    assert!(!report.is_good());
    insta::assert_snapshot!(text(&home, &report, 80));
}

#[test]
fn a_journal_without_readings_of_that_time() {
    let (place, home) = imported("broken_cloud_day_1min.csv", true, |grid, solar| (grid, solar));
    let report =
        judge(&place.reader(), &home, (EVER.0, overspill_rules::time::WallTime(1000)), |_| {}).unwrap();
    assert!(!report.is_good() && !report.is_wrong());
    insta::assert_snapshot!(text(&home, &report, 80), @"No readings of any point in this time: nothing can be judged.");
}
