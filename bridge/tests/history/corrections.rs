//! What a wrongly fitted clamp recorded is put right, and what was believed stays known.

use crate::support::{EVER, Place, near};

/// Two days of one-minute rows: solar for ten hours at 2 kW, a house of 500 W, the grid clamp the wrong way round.
fn reversed() -> Place {
    let place = Place::new("Europe/London", &[("grid", "grid"), ("solar", "solar")]);
    let mut text = "time,grid_w,solar_w\n".to_owned();
    for minute in 0..2 * 1440 {
        let at = jiff::Timestamp::from_second(1_781_913_600 + 60 * minute).unwrap();
        let solar = if (420..1020).contains(&(minute % 1440)) { 2000.0 } else { 0.0 };
        text.push_str(&format!("{at},{},{solar}\n", solar - 500.0));
    }
    place.write("in.csv", &text);
    place.done(&["import", "home.toml", "in.csv"]);
    place
}

/// The first of the two days.
const DAY: [&str; 4] = ["--from", "2026-06-20T00:00:00Z", "--to", "2026-06-21T00:00:00Z"];

fn correct(place: &Place, args: &[&str]) -> String {
    place.done(&[&["correct", "home.toml"], args, &["--by", "Ada", "--yes"]].concat())
}

fn totals(place: &Place) -> [f64; 3] {
    ["import", "export", "house"].map(|flow| place.total(flow).0)
}

#[test]
fn a_reversed_clamp_is_looked_at_put_right_and_undone() {
    let place = reversed();
    let wrong = totals(&place);
    near(wrong[0], 30.0, "import");
    near(wrong[1], 14.0, "export");
    let negate = [&["grid", "--negate"], &DAY[..]].concat();
    let asked = place.run(&[&["correct", "home.toml"], &negate[..], &["--by", "Ada"]].concat());
    assert_eq!((asked.code(), totals(&place)), (2, wrong), "without a terminal it wants --yes");
    insta::assert_snapshot!(asked.out());
    assert!(asked.err().contains("--yes"), "{}", asked.err());

    let told = correct(&place, &negate);
    assert!(told.contains("Correction 1 was made by Ada"), "{told}");
    let right = totals(&place);
    near(right[0], 15.0 + 7.0, "import: one day of each");
    near(right[1], 7.0 + 15.0, "export");
    let conn = rusqlite::Connection::open(place.path("wren.db")).unwrap();
    let sum = |sql: &str| conn.query_row(sql, [], |r| r.get::<_, f64>(0)).unwrap();
    near(sum("SELECT sum(kwh) FROM believed WHERE correction = 1 AND flow = 'import'"), 15.0, "believed");
    let received = place.reader().samples("point.grid", EVER.0, EVER.1).unwrap();
    let received: f64 = received.iter().filter_map(|s| s.value).sum();
    near(received, 2.0 * (600.0 * 1500.0 - 840.0 * 500.0), "the numbers stay as received");
    for flow in ["import", "export", "house", "solar"] {
        let view = sum(&format!("SELECT sum(kwh) FROM half_hour WHERE flow = '{flow}'"));
        near(view, place.total(flow).0, "the view and the reader say the same");
    }
    let days = sum("SELECT sum(kwh) FROM day WHERE flow = 'import'");
    near(days, right[0], "days follow");
    let out = place.done(&[&["export", "home.toml"], &DAY[..]].concat());
    assert!(out.lines().nth(1).unwrap().contains(",500,0"), "exported put right: {}", &out[..200]);

    correct(&place, &["--undo", "1"]);
    assert_eq!(totals(&place), wrong);
    let again = place.run(&["correct", "home.toml", "--undo", "1", "--by", "Ada", "--yes"]);
    assert!(again.err().contains("taken back already"), "{}", again.err());
    let list = place.done(&["correct", "home.toml", "--list"]);
    assert!(list.contains("grid turned round") && list.contains("taken back by Ada"), "{list}");
}

#[test]
fn corrections_hold_in_their_order_and_one_in_the_middle_can_be_undone() {
    let place = reversed();
    let wrong = totals(&place);
    correct(&place, &[&["grid", "--negate"], &DAY[..]].concat());
    correct(&place, &[&["grid", "--scale", "2"], &DAY[..]].concat());
    near(totals(&place)[0], 2.0 * 7.0 + 15.0, "turned round and doubled");
    correct(&place, &["--undo", "1"]);
    near(totals(&place)[0], 2.0 * 15.0 + 15.0, "doubled only");
    correct(&place, &["--undo", "2"]);
    assert_eq!(totals(&place), wrong);
}

#[test]
fn two_clamps_that_were_swapped_are_told_apart() {
    let place = reversed();
    correct(&place, &[&["grid", "--negate"], &DAY[..]].concat());
    let solar = place.total("solar").0;
    near(solar, 40.0, "solar");
    correct(&place, &[&["grid", "--swap-with", "solar"], &DAY[..]].concat());
    // Now the roof is what the grid clamp showed, 1.5 kW out by day and 500 W in by night, and the grid is the roof.
    near(place.total("solar").0, 20.0 + (0.5 * 14.0 - 1.5 * 10.0), "solar");
    near(place.total("import").0, 20.0 + 15.0, "import");
}

#[test]
fn what_can_not_be_put_right_is_told_in_words() {
    let place = reversed();
    let fails = |args: &[&str], why: &str| {
        let ran = place.run(&[&["correct", "home.toml"], args, &["--by", "Ada", "--yes"]].concat());
        assert!(ran.code() == 2 && ran.err().contains(why), "{args:?}: {}", ran.err());
    };
    fails(&[&["gird", "--negate"], &DAY[..]].concat(), "did you mean `grid`?");
    fails(&[&["grid", "--swap-with", "grid"], &DAY[..]].concat(), "with itself");
    fails(&[&["grid", "--scale", "0"], &DAY[..]].concat(), "the factor must lie");
    fails(&["grid", "--negate", "--from", "2090-01-01", "--to", "2090-01-02"], "still to come");
    fails(&["grid", "--negate", "--from", "2026-06-22", "--to", "2026-06-20"], "--from must be earlier");
    fails(&["--undo", "7"], "there is no correction 7");
    fails(&[&["grid"], &DAY[..]].concat(), "required");
}
