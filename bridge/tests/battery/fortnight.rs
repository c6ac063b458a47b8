//! A made-up fortnight in June: what people read, and what the record may be like.

use overspill::config;
use overspill::store::{Filler, Stamp, home_mark};
use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::tariff::{Price, Side};
use overspill_rules::time::{Moment, Span, WallTime};
use serde_json::Value;

use crate::support::Place;

const GRID: &str = "[point.grid]\nmeasures = \"grid\"\ntopic = \"meter/grid\"\nunit = \"W\"\npositive = \"import\"\n\
                    interval = \"10m\"\n";
const SOLAR: &str =
    "[point.solar]\nmeasures = \"solar\"\ntopic = \"meter/solar\"\nunit = \"W\"\ninterval = \"10m\"\n";
const NIGHT: &str = "[tariff]\ncurrency = \"GBP\"\nimport = 0.30\nexport = 0.06\nzone = \"UTC\"\n\
                     [tariff.window.night]\nfrom = \"00:30\"\nto = \"05:30\"\nprice = 0.09\n";

/// The first midnight.
const JUNE: WallTime = WallTime(1_780_272_000_000);

/// Watts of grid and roof every ten minutes: a sunny day and a dull one in turn, a kettle at breakfast while the sun is up,
/// the evening's cooking. Day 6 is missing.
fn rows() -> impl Iterator<Item = (String, f64, f64)> {
    (0..14 * 144).filter(|n| n / 144 != 6).map(|n| {
        let (day, ten) = (n / 144, n % 144);
        let height = (1.0 - ((ten as f64 - 72.0) / 48.0).powi(2)).max(0.0);
        let sun = if day % 2 == 0 { 3600.0 } else { 900.0 } * height;
        let used = match ten {
            45 | 48 => 2800.0,
            108..=116 => 2200.0,
            _ => 350.0,
        };
        let time = format!("2026-06-{:02}T{:02}:{:02}:00Z", day + 1, ten / 6, ten % 6 * 10);
        (time, used - sun, sun)
    })
}

fn fortnight(home: &str) -> Place {
    let place = Place::with("UTC", home);
    let lines = rows().map(|(time, grid, sun)| format!("{time},{grid:.0},{sun:.0}\n"));
    place.write("june.csv", &format!("time,grid_w,solar_w\n{}", lines.collect::<String>()));
    place.done(&["import", "home.toml", "june.csv"]);
    place
}

fn json(place: &Place, more: &[&str]) -> Vec<Value> {
    let text = place.done(&[&["battery", "home.toml", "--format", "json"], more].concat());
    serde_json::from_str(&text).unwrap()
}

#[test]
fn what_people_read() {
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    let told = place.done(&["battery", "home.toml", "--sizes", "2.5,5,10", "--price-per-kwh", "450"]);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    insta::assert_snapshot!("fortnight", told);
}

#[test]
fn without_a_tariff_money_is_left_out_and_said_to_be() {
    let place = fortnight(&format!("{GRID}{SOLAR}"));
    let told = place.done(&[
        "battery",
        "home.toml",
        "--sizes",
        "4",
        "--power-kw",
        "1.5",
        "--idle-w",
        "20",
        "--reserve-kwh",
        "1",
    ]);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    insta::assert_snapshot!("fortnight_without_tariff", told);
}

#[test]
fn the_row_of_no_battery_is_the_record() {
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    let none = &json(&place, &["--sizes", "5"])[0];
    for (field, flow) in [("import_kwh", "import"), ("export_kwh", "export")] {
        let (kwh, _) = place.total(flow);
        assert!((none[field].as_f64().unwrap() - kwh).abs() < 1e-9, "{field}");
    }
    // Kettles while the sun is up: both ways within a half hour.
    assert!(none["both_ways_kwh"].as_f64().unwrap() > 1.0);
    assert!(none["assumed"].to_string().contains("kept apart as they were recorded"));
}

#[test]
fn prices_of_a_list_come_from_its_file() {
    let tariff = "[tariff]\ncurrency = \"GBP\"\nexport = 0.06\nimport_prices = { file = \"prices.csv\" }\n";
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    let by_window = json(&place, &["--sizes", "5"]);
    // The same prices as the windows, hour by hour where they are whole.
    let mut list = "from,to,price\n".to_owned();
    for day in 1..=14 {
        let mut line = |from: &str, to: &str, price: f64| {
            list.push_str(&format!("2026-06-{day:02}T{from}:00Z,{to}:00Z,{price}\n"));
        };
        let this = format!("2026-06-{day:02}T");
        line("00:00", &format!("{this}00:30"), 0.30);
        line("00:30", &format!("{this}05:30"), 0.09);
        line("05:30", &format!("{this}06:00"), 0.30);
        (6..24).for_each(|hour| {
            let next = if hour == 23 {
                format!("2026-06-{:02}T00:00", day + 1)
            } else {
                format!("{this}{:02}:00", hour + 1)
            };
            line(&format!("{hour:02}:00"), &next, 0.30);
        });
    }
    place.write("prices.csv", &list);
    let home = std::fs::read_to_string(place.path("home.toml")).unwrap();
    let (head, _) = home.split_once("[tariff]").unwrap();
    place.write("home.toml", &format!("{head}{tariff}"));
    let by_list = json(&place, &["--sizes", "5"]);
    for (list, window) in by_list.iter().zip(&by_window) {
        for field in ["cost", "saving", "import_kwh", "unpriced_kwh"] {
            assert_eq!(list[field], window[field], "{field} of {}", list["strategy"]);
        }
    }
    assert!(by_list[0]["assumed"].to_string().contains("prices.csv are used"));
}

#[test]
fn prices_that_came_over_mqtt_come_from_the_record() {
    let tariff =
        "[tariff]\ncurrency = \"GBP\"\nexport = 0.06\nimport_prices = { topic = \"market/import\" }\n";
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    let by_window = json(&place, &["--sizes", "5"]);
    let home = std::fs::read_to_string(place.path("home.toml")).unwrap();
    let (head, _) = home.split_once("[tariff]").unwrap();
    place.write("home.toml", &format!("{head}{tariff}"));
    // Each noon the hours of the next two days came, so that each price came twice, the night ones first wrong.
    let config = config::read(&place.path("home.toml")).unwrap();
    let mut filler = Filler::open(&place.path("wren.db"), &config.home).unwrap();
    let stamp = |hour: i64| Stamp {
        moment: Moment(hour * 3_600_000),
        batch: hour as u64,
        wall: Some(JUNE + Span::hours(hour)),
    };
    filler.handle().began(stamp(-36), &Kept::default(), &home_mark(&config.home));
    for noon in (-36..14 * 24).step_by(24) {
        let price = |half: i64| {
            let from = JUNE + Span::hours(noon + 12) + Span::minutes(30 * half);
            let price = match half % 48 {
                1..=10 if half < 48 => "0.09",
                1..=10 => "0.50",
                _ => "0.30",
            };
            Price { from, to: None, price: price.parse().unwrap() }
        };
        let prices = (0..96).map(price).collect();
        filler.handle().input(stamp(noon), &Input::Prices { side: Side::Import, prices });
    }
    filler.commit().unwrap();
    filler.close();
    let by_list = json(&place, &["--sizes", "5"]);
    for (list, window) in by_list.iter().zip(&by_window) {
        for field in ["cost", "saving", "import_kwh", "unpriced_kwh"] {
            assert_eq!(list[field], window[field], "{field} of {}", list["strategy"]);
        }
    }
}

#[test]
fn times_without_a_price_are_told_and_not_charged() {
    let tariff = "[tariff]\ncurrency = \"GBP\"\nexport = 0.06\nimport_prices = { file = \"prices.csv\" }\n";
    let place = fortnight(&format!("{GRID}{SOLAR}"));
    place.write("prices.csv", "from,to,price\n2026-06-01T00:00:00Z,2026-06-02T00:00:00Z,0.30\n");
    let home = std::fs::read_to_string(place.path("home.toml")).unwrap();
    place.write("home.toml", &format!("{home}{tariff}"));
    let none = &json(&place, &["--sizes", "5"])[0];
    assert!(none["unpriced_kwh"].as_str().unwrap().parse::<f64>().unwrap() > 50.0);
    assert!(none["assumed"].to_string().contains("no price is known"));
}

#[test]
fn a_battery_that_is_there_is_taken_out() {
    let battery = "[point.battery]\nmeasures = \"battery\"\ntopic = \"meter/battery\"\nunit = \"W\"\n\
                   positive = \"discharge\"\ninterval = \"10m\"\n[battery]\nserved = \"first\"\n";
    let place = Place::with("UTC", &format!("{GRID}{SOLAR}{battery}"));
    // It takes 500 W of whatever is there, so that the grid sees 500 W more.
    let lines = rows().map(|(time, grid, sun)| format!("{time},{:.0},{sun:.0},-500\n", grid + 500.0));
    place.write("june.csv", &format!("time,grid_w,solar_w,battery_w\n{}", lines.collect::<String>()));
    place.done(&["import", "home.toml", "june.csv"]);
    let with = json(&place, &["--sizes", "5"]);
    let without = json(&fortnight(&format!("{GRID}{SOLAR}")), &["--sizes", "5"]);
    let net = |row: &Value| row["import_kwh"].as_f64().unwrap() - row["export_kwh"].as_f64().unwrap();
    assert!((net(&with[0]) - net(&without[0])).abs() < 0.1, "{} {}", net(&with[0]), net(&without[0]));
    assert!(with[0]["assumed"].to_string().contains("taken out"));
}

#[test]
fn the_chart_stands_alone_and_says_where_more_is_not_worth_it() {
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    place.done(&["battery", "home.toml", "--chart", "chart.svg"]);
    let svg = std::fs::read_to_string(place.path("chart.svg")).unwrap();
    assert_eq!(svg.matches("stroke-width=\"1.8\"").count(), 3, "a curve for each way");
    assert_eq!(svg.matches("<circle").count(), 9, "three sizes on each");
    for words in ["Wren Cottage", "Saved in a year, GBP", "Indicative", "further kWh", "foresight"] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(!svg.contains("<script") && !svg.contains("NaN") && !svg.contains("inf"));
    assert_eq!(svg.matches("http").count(), 1, "the name of the format alone");
}

#[test]
fn what_can_not_be_done_is_said() {
    let place = fortnight(&format!("{GRID}{SOLAR}{NIGHT}"));
    for (args, why) in [
        (&["--from", "2025-01-01", "--to", "2025-01-31"][..], "no half hours of that time"),
        (&["--sizes", "2,5", "--reserve-kwh", "3"], "can't keep 3 kWh in reserve"),
        (&["--sizes", "0"], "sizes above 0"),
        (&["--charge-efficiency", "95"], "from 0.3 to 1"),
        (&["--from", "2026-06-03", "--to", "2026-06-01"], "earlier"),
        (&["--price-per-kwh", "cheap"], "no amount"),
        (&["--chart", "nowhere/chart.svg"], "can't be written"),
    ] {
        let ran = place.run(&[&["battery", "home.toml"], args].concat());
        assert_eq!(ran.code(), 2, "{args:?}");
        assert!(ran.err().contains(why), "{args:?}: {}", ran.err());
    }
    let import_only = Place::with("UTC", &format!("{}{SOLAR}", GRID.replace("\"grid\"", "\"grid.import\"")));
    import_only.write("day.csv", "time,grid_w\n2026-06-01T00:00:00Z,100\n2026-06-01T00:10:00Z,100\n");
    import_only.done(&["import", "home.toml", "day.csv"]);
    let why = import_only.run(&["battery", "home.toml"]).err();
    assert!(why.contains("both sides of the grid"), "{why}");
}
