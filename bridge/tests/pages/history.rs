//! Energy of a span.

use serde_json::Value;

use crate::running::{HOME, Running, import, number};
use crate::support::{EVER, Place, near};

/// Two days of which the second has no readings from 10:00 to 14:00.
fn two_days() -> Place {
    let place = Place::with("Europe/London", HOME);
    import(&place, "2024-02-10", 0..2880, 2040..2280);
    place
}

fn report(place: &Place, from: &str, to: &str) -> Value {
    let json = ["report", "home.toml", "--from", from, "--to", to, "--format", "json"];
    serde_json::from_str(&place.done(&json)).unwrap()
}

const SUMS: [&str; 6] = ["covered", "solar_kwh", "self_use_kwh", "export_kwh", "import_kwh", "house_kwh"];

#[test]
fn an_imported_day_is_what_the_report_and_the_reader_say() {
    let place = two_days();
    let program = Running::of(&place);
    for (from, to) in
        [("2024-02-10", "2024-02-10"), ("2024-02-11", "2024-02-11"), ("2024-02-10", "2024-02-11")]
    {
        let told = report(&place, from, to);
        let answer = program.json(&format!("/api/history?from={from}&to={to}&what=energy"));
        let energy = &answer["energy"];
        for key in SUMS {
            near(number(energy, key).unwrap(), number(&told, key).unwrap(), key);
        }
        let rows = energy["rows"].as_array().unwrap();
        for key in ["solar_kwh", "self_use_kwh", "export_kwh", "import_kwh"] {
            let sum: f64 = rows.iter().filter_map(|row| number(row, key)).sum();
            near(sum, number(&told, key).unwrap(), key);
        }
        let (water, load) = (&told["loads"]["water"], &energy["loads"][0]);
        for key in ["kwh", "from_spare_kwh", "from_grid_kwh"] {
            near(number(load, key).unwrap(), number(water, key).unwrap(), key);
        }
        let page = program.page(&format!("/history?from={from}&to={to}"));
        let kwh = |key| format!("{:.2}", number(&told, key).unwrap());
        let sentence = format!(
            "the roof made {} kWh: {} stayed here, {} left; {} kWh were bought.",
            kwh("solar_kwh"),
            kwh("self_use_kwh"),
            kwh("export_kwh"),
            kwh("import_kwh")
        );
        assert!(page.contains(&sentence), "{sentence}\n{page}");
    }
    // Half by half hour as the reader has it; nothing here is noise.
    let (from, to) = ("2024-02-10T00:00:00Z", "2024-02-10T12:00:00Z");
    let answer = program.json(&format!("/api/history?from={from}&to={to}&what=energy"));
    let rows = answer["energy"]["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 24);
    let half_hours = place.reader().half_hours(EVER.0, EVER.1).unwrap();
    for (flow, key) in [("import", "import_kwh"), ("export", "export_kwh"), ("solar", "solar_kwh")] {
        let mut of_flow = half_hours.iter().filter(|half_hour| half_hour.flow == flow);
        for row in rows {
            near(number(row, key).unwrap(), of_flow.next().unwrap().kwh, key);
        }
    }
}

#[test]
fn what_is_missing_is_not_nothing() {
    let place = two_days();
    let program = Running::of(&place);
    let answer = program.json("/api/history?from=2024-02-11&what=energy");
    let rows = answer["energy"]["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 48);
    let (night, gap) = (&rows[0], &rows[24]);
    assert_eq!((number(night, "solar_kwh"), number(night, "covered")), (Some(0.0), Some(1.0)));
    assert_eq!((number(gap, "solar_kwh"), number(gap, "covered")), (None, Some(0.0)), "{gap}");
    let page = program.page("/history?from=2024-02-11");
    assert!(page.contains("Readings cover 83 % of this time; what is missing is in no sum."), "{page}");
    assert!(page.contains("class=\"gap\"") && page.contains("Dotted below the line"));
    assert!(!program.page("/history?from=2024-02-10").contains("class=\"gap\""));
    let nothing = program.page("/history?from=2023-06-01");
    assert!(nothing.contains("On Thursday 1 June nothing was recorded."), "{nothing}");
    assert!(
        nothing.contains("<a href=\"/history?from=2024-02-11\">The record has energy from 10 February 2024")
    );
    assert!(!nothing.contains("<svg class=\"rows\""));
}

#[test]
fn days_of_clock_change_have_as_many_half_hours_as_they_have() {
    let place = Place::with("Europe/London", HOME);
    import(&place, "2024-03-30", 0..2880, 0..0);
    import(&place, "2024-10-26", 0..2880, 0..0);
    let program = Running::of(&place);
    for (day, halves, hours) in [("2024-03-31", 46, 23.0), ("2024-10-27", 50, 25.0)] {
        let answer = program.json(&format!("/api/history?from={day}&what=energy"));
        let rows = answer["energy"]["rows"].as_array().unwrap();
        assert_eq!(rows.len(), halves, "{day}");
        assert!(rows.windows(2).all(|pair| pair[0]["to"] == pair[1]["from"]));
        assert_eq!((&rows[0]["from"], &rows[halves - 1]["to"]), (&answer["from"], &answer["to"]));
        let length = answer["to"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap()
            - answer["from"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        assert_eq!(length.total(jiff::Unit::Hour).unwrap(), hours);
        near(
            number(&answer["energy"], "solar_kwh").unwrap(),
            number(&report(&place, day, day), "solar_kwh").unwrap(),
            day,
        );
    }
    // The hour that comes twice has two places in the table.
    let page = program.page("/history?from=2024-10-27");
    assert_eq!(page.matches("<th scope=\"row\">Sun 01:30</th>").count(), 2);
    assert!(!program.page("/history?from=2024-03-31").contains("Sun 01:30"));
}

#[test]
fn the_file_of_energy_can_be_imported_again() {
    let place = two_days();
    let program = Running::of(&place);
    let file = program.page("/history.csv?from=2024-02-10&to=2024-02-11&what=energy");
    assert!(file.starts_with("time,"), "{file}");
    let again = Place::with("Europe/London", HOME);
    again.write("energy.csv", &file);
    again.done(&["import", "home.toml", "energy.csv"]);
    let (was, is) = (place.reader(), again.reader());
    let (was, is) = (was.half_hours(EVER.0, EVER.1).unwrap(), is.half_hours(EVER.0, EVER.1).unwrap());
    for flow in ["import", "export", "solar", "load.water"] {
        let of = |all: &[overspill::store::HalfHour]| -> Vec<(i64, i64)> {
            let own = all.iter().filter(|half_hour| half_hour.flow == flow);
            own.map(|half_hour| (half_hour.start.0, (half_hour.kwh * 1e6).round() as i64)).collect()
        };
        assert!(!of(&was).is_empty());
        assert_eq!(of(&was), of(&is), "{flow}");
    }
    let power = program.page("/history.csv?from=2024-02-10T12:00:00Z&to=2024-02-10T12:30:00Z&what=power");
    assert_eq!(power.lines().count(), 31, "{power}");
    assert!(power.starts_with("time,grid_w,solar_w"));
}

#[test]
fn longer_spans_have_bars_of_days_and_months() {
    let place = two_days();
    let program = Running::of(&place);
    for (span, step, rows) in [
        ("from=2024-02-10&to=2024-02-12", "half hour", 144),
        ("from=2024-02-01&to=2024-02-29", "day", 29),
        ("from=2024-01-01&to=2024-12-31", "month", 12),
    ] {
        let energy = program.json(&format!("/api/history?{span}&what=energy"))["energy"].clone();
        assert_eq!(energy["step"], step, "{span}");
        assert_eq!(energy["rows"].as_array().unwrap().len(), rows, "{span}");
        let sum: f64 =
            energy["rows"].as_array().unwrap().iter().filter_map(|row| number(row, "import_kwh")).sum();
        near(sum, place.total("import").0, span);
        assert!(program.page(&format!("/history?{span}")).contains(&format!("Energy by {step}")));
    }
}

#[test]
fn spans_that_can_not_be_shown_are_told_in_words() {
    let place = two_days();
    let program = Running::of(&place);
    for (span, why) in [
        ("from=2024-02-11&to=2024-02-10", "the beginning must be before the end"),
        ("from=9999-12-31", "out of range"),
        ("from=9998-01-01", "is still to come"),
        ("from=yesterday", "is no time"),
        ("from=2024-02-30", "is no time"),
        ("from=2000-01-01&to=2024-01-01", "at most five years"),
        ("from=0001-01-01&to=2024-01-01", "at most five years"),
        ("from=%3Cscript%3E", "`&lt;script&gt;` is no time"),
        ("from=2024-10-27T01:30", "does not say which moment"),
    ] {
        for page in ["history", "history.csv", "report", "report.html"] {
            let answer = program.get(&format!("/{page}?{span}"));
            assert_eq!(answer.status, 400, "{page} {span}");
            let text = answer.text.replace("&#60;", "&lt;").replace("&#62;", "&gt;");
            assert!(text.contains(why) && text.contains("<h1>"), "{page} {span}: {text}");
        }
        let answer = program.get(&format!("/api/history?{span}"));
        assert_eq!(answer.status, 400, "{span}");
        let error: Value = serde_json::from_str(&answer.text).unwrap();
        let why = why.replace("&lt;", "<").replace("&gt;", ">");
        assert!(error["error"].as_str().unwrap().contains(&why), "{error}");
    }
    for (wrong, why) in [("what=all", "`energy` or `power`"), ("columns=0", "1 to 2000")] {
        let answer = program.get(&format!("/api/history?from=2024-02-10&{wrong}"));
        assert_eq!(answer.status, 400);
        assert!(answer.text.contains(why), "{}", answer.text);
    }
    let long = program.get("/history.csv?from=2024-01-01&to=2024-02-10&what=power");
    assert_eq!(long.status, 400);
    assert!(long.text.contains("at most 7 days"), "{}", long.text);
}
