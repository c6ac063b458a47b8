//! The four forms, the spans, and what people are told when there is nothing to tell.

use serde_json::Value;

use crate::figures::year;
use crate::support::Place;

const HOME: &str = r#"
[point.grid]
measures = "grid"
topic = "meter/grid"
unit = "W"
positive = "import"
interval = "60s"

[point.solar]
measures = "solar"
topic = "meter/solar"
unit = "W"
interval = "60s"
peak_w = 4000

[load.water]
name = "Water <tank>"
kind = "modulated"
topic = "tank/wanted"
send = "watts"
ceiling_w = 3000
turn = 1
fallback = "off"
feedback = { draw = { topic = "tank/draw" } }

[tariff]
currency = "GBP"
vat_percent = 5
standing_per_day = 0.50
import = 0.26
export = 0.15
"#;

/// Two days, a reading a minute: sun from 8 to 16, water heated at noon and bought for at night; the second day has no
/// readings from 18:00 on.
fn two_days() -> Place {
    let place = Place::with("Europe/London", HOME);
    let mut text = "time,grid_w,solar_w,water-draw_w\n".to_owned();
    for minute in 0..(48 * 60 - 6 * 60) {
        let (day, of_day) = (minute / 1440, minute % 1440);
        let hour = f64::from(of_day) / 60.0;
        let sun = if (8.0..16.0).contains(&hour) { 3000.0 - (hour - 12.0).abs() * 500.0 } else { 10.0 };
        let water = if (11.0..13.0).contains(&hour) || (2.0..3.0).contains(&hour) { 1800.0 } else { 0.0 };
        let house = 200.0 + f64::from(minute * 37 % 101) + water;
        let grid = house - sun;
        text.push_str(&format!(
            "2026-02-{:02}T{:02}:{:02}:00Z,{grid},{sun},{water}\n",
            10 + day,
            of_day / 60,
            of_day % 60
        ));
    }
    place.write("two.csv", &text);
    place.done(&["import", "home.toml", "two.csv"]);
    place
}

const SPAN: [&str; 6] = ["report", "home.toml", "--from", "2026-02-10", "--to", "2026-02-11"];

#[test]
fn people_read_it_at_a_glance() {
    let text = two_days().done(&SPAN);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    insta::assert_snapshot!(text);
}

#[test]
fn a_year_reads_as_well_and_a_tariff_can_be_compared() {
    let place = year();
    place.write(
        "other.toml",
        "[tariff]\ncurrency = \"GBP\"\nimport = 0.245\nstanding_per_day = 0.61\nexport = 0.041\n",
    );
    let text = place.done(&["report", "home.toml", "--year", "2008", "--tariff", "other.toml"]);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    insta::assert_snapshot!(text);
}

/// What others build on: no name of this list may change.
#[test]
fn programs_find_every_name_of_the_contract() {
    let told: Value =
        serde_json::from_str(&two_days().done(&[&SPAN[..], &["--format", "json"]].concat())).unwrap();
    let names = [
        "covered",
        "import_kwh",
        "export_kwh",
        "solar_kwh",
        "house_kwh",
        "self_use_kwh",
        "self_consumption",
        "self_sufficiency",
        "export_hours",
        "import_cost",
        "export_income",
        "currency",
    ];
    for name in names.iter().chain(&["from", "to", "night_floor_w"]) {
        assert!(!told[name].is_null(), "{name}");
    }
    for peak in ["peak_import_w", "peak_export_w", "peak_solar_w"] {
        assert!(told[peak]["value"].is_f64() && told[peak]["at"].is_string(), "{peak}");
    }
    let days = told["days"].as_array().unwrap();
    assert_eq!(days.len(), 2);
    for name in names {
        assert!(days.iter().all(|day| !day[name].is_null()), "{name} of each day");
    }
    assert!(told["import_cost"].is_string() && told["export_income"].is_string());
    assert!((told["covered"].as_f64().unwrap() - 0.875).abs() < 1e-3, "{}", told["covered"]);
    assert!(told["days"][0]["date"] == "2026-02-10");
}

#[test]
fn a_clamp_put_right_afterwards_changes_the_peaks_too() {
    let place = two_days();
    let json = [&SPAN[..], &["--format", "json"]].concat();
    let peak =
        || serde_json::from_str::<Value>(&place.done(&json)).unwrap()["peak_solar_w"]["value"].as_f64();
    assert_eq!(peak(), Some(3000.0));
    let span = ["--from", "2026-02-01", "--to", "2026-02-28"];
    let correct = ["correct", "home.toml", "solar", "--scale", "0.5", "--by", "Ada", "--yes"];
    place.done(&[&correct[..], &span].concat());
    assert_eq!(peak(), Some(1500.0));
}

#[test]
fn a_spreadsheet_gets_a_row_for_each_day() {
    insta::assert_snapshot!(two_days().done(&[&SPAN[..], &["--format", "csv"]].concat()));
}

#[test]
fn the_page_stands_alone() {
    let place = two_days();
    place.done(&[&SPAN[..], &["--format", "html", "-o", "report.html"]].concat());
    let page = std::fs::read_to_string(place.path("report.html")).unwrap();
    for fetches in ["http", "src=", "href", "@import", "<script", "url(\""] {
        assert!(!page.contains(fetches), "{fetches}");
    }
    assert!(page.contains("Water &lt;tank&gt;") && !page.contains("<tank>"), "names are escaped");
    for word in ["Indicative", "used at home", "What runs all night?", "aria-label", "@page"] {
        assert!(page.contains(word), "{word}");
    }
    let opened = |tag: &str| page.matches(&format!("<{tag}")).count();
    let closed = |tag: &str| page.matches(&format!("</{tag}>")).count();
    for tag in ["svg", "table", "figure", "div", "text", "h2", "ul", "li"] {
        assert!(opened(tag) > 0 && opened(tag) == closed(tag) || tag == "li" || tag == "text", "{tag}");
    }
    let again = place.run(&[&SPAN[..], &["--format", "html", "-o", "report.html"]].concat());
    assert_eq!(again.code(), 2);
    assert!(again.err().contains("--force replaces it"), "{}", again.err());
}

#[test]
fn months_years_and_the_spans_before_are_those_of_the_calendar() {
    let place = year();
    let june = place.done(&["report", "home.toml", "--month", "2008-06", "--format", "json"]);
    let june: Value = serde_json::from_str(&june).unwrap();
    assert_eq!(
        (&june["from"], &june["to"]),
        (&"2008-06-01T00:00:00.000Z".into(), &"2008-07-01T00:00:00.000Z".into())
    );
    assert_eq!(june["before"]["from"], "2008-05-01T00:00:00.000Z");
    assert_eq!(june["before"]["to"], june["from"]);
    assert!(june["before"]["house"]["kwh_a_day"].as_f64().unwrap() > 1.0);
    assert_eq!(june["year_ago"]["from"], "2007-06-01T00:00:00.000Z");
    assert!(june["year_ago"]["house"]["kwh_a_day"].is_null(), "nothing is known of 2007");
    let week = ["report", "home.toml", "--from", "2008-06-08", "--to", "2008-06-14", "--format", "json"];
    let week: Value = serde_json::from_str(&place.done(&week)).unwrap();
    assert_eq!(week["before"]["from"], "2008-06-01T00:00:00.000Z");
}

#[test]
fn what_can_not_be_done_is_told_in_words() {
    let place = two_days();
    place.write("bad.toml", "[tariff]\ncurrency = \"GBP\"\n");
    place.write("home-only.toml", "[home]\nid = \"x\"\n");
    for (args, words) in [
        (&["--month", "2025-06"][..], "the journal holds energy from 2026-02-10 to 2026-02-11"),
        (&["--month", "june"], "write it as 2026-06"),
        (&["--year", "26"], "write it as 2026"),
        (&["--from", "2026-02-11", "--to", "2026-02-10T00:00"], "earlier than --to"),
        (
            &["--from", "2026-02-10", "--tariff", "none.toml"],
            "file of the other tariff none.toml can't be read",
        ),
        (&["--from", "2026-02-10", "--tariff", "bad.toml"], "says not what energy costs"),
        (&["--from", "2026-02-10", "--tariff", "home-only.toml"], "mistakes"),
    ] {
        let ran = place.run(&[&["report", "home.toml"], args].concat());
        assert_eq!(ran.code(), 2, "{args:?}: {}", ran.out());
        assert!(ran.err().contains(words), "{args:?}: {}", ran.err());
    }
    let empty = Place::new("Europe/London", &[("grid", "grid")]);
    let ran = empty.run(&["report", "home.toml"]);
    assert_eq!(ran.code(), 2);
    assert!(!ran.err().is_empty());
}
