//! What goes out comes in again the same; copies hold what was there.

use proptest::prelude::*;

use crate::support::{EVER, Place};

const WHOLE: [&str; 4] = ["--from", "1970-01-01", "--to", "2090-01-01"];

fn home() -> Place {
    Place::new("Europe/London", &[("grid", "grid"), ("solar", "solar")])
}

fn exported(place: &Place) -> String {
    place.done(&[&["export", "home.toml"], &WHOLE[..]].concat())
}

/// Rows at ascending times of milliseconds, some fields blank, numbers of any fraction.
fn csv() -> impl Strategy<Value = String> {
    let number = prop_oneof![
        3 => (-9_000_000_i64..9_000_000).prop_map(|n| Some(n as f64 / 1000.0)),
        1 => any::<f64>().prop_map(|n| Some(if n.is_finite() { n % 1e5 + 0.0 } else { 0.25 })),
        1 => Just(None),
    ];
    let row = (1_i64..20_000, number.clone(), number);
    proptest::collection::vec(row, 2..40).prop_map(|rows| {
        let mut at = 1_781_000_000_000_i64;
        let field = |n: Option<f64>| n.map(|n| n.to_string()).unwrap_or_default();
        let mut text = "time,grid_w,solar_w\n".to_owned();
        for (n, (step, grid, solar)) in rows.into_iter().enumerate() {
            at += step;
            // Of one number alone nobody knows how long it stands, so each column has two.
            let grid = if n < 2 { grid.or(Some(1.5)) } else { grid };
            let solar = if n < 2 { solar.or(Some(2.5)) } else { solar };
            // A row without any number is no row.
            let solar = if grid.is_none() { solar.or(Some(0.5)) } else { solar };
            let time = jiff::Timestamp::from_millisecond(at).unwrap();
            text.push_str(&format!("{time:.3},{},{}\n", field(grid), field(solar)));
        }
        text
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn what_was_exported_can_be_imported_and_is_the_same(text in csv()) {
        let first = home();
        first.write("in.csv", &text);
        first.done(&["import", "home.toml", "in.csv"]);
        let out = exported(&first);
        prop_assert_eq!(&out, &text);
        let second = home();
        second.write("again.csv", &out);
        second.done(&["import", "home.toml", "again.csv"]);
        prop_assert_eq!(exported(&second), out);
        let told = second.done(&["import", "home.toml", "again.csv"]);
        prop_assert!(told.contains("Nothing new"), "{}", told);
    }
}

fn minute_rows(minutes: i64, watts: impl Fn(i64) -> f64) -> String {
    let mut text = "time,grid_w\n".to_owned();
    for minute in 0..minutes {
        let at = jiff::Timestamp::from_second(1_782_000_000 + 60 * minute).unwrap();
        text.push_str(&format!("{at},{}\n", watts(minute)));
    }
    text
}

#[test]
fn energy_is_summed_up_by_hours_and_by_local_days() {
    let place = home();
    place.write("in.csv", &minute_rows(3 * 1440, |m| if m % 2 == 0 { 600.0 } else { -300.0 }));
    place.done(&["import", "home.toml", "in.csv"]);
    let span = ["--from", "2026-06-22", "--to", "2026-06-22"];
    let out = place.done(&[&["export", "home.toml", "--every", "24h"], &span[..]].concat());
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines[0], "time,grid_export_kwh,grid_import_kwh");
    assert_eq!(lines.len(), 2, "{out}");
    assert!(lines[1].starts_with("2026-06-21T23:00:00.000Z,3.6"), "{out}");
    let hours = place.done(&[&["export", "home.toml", "--every", "1h"], &span[..]].concat());
    assert_eq!(hours.lines().count(), 25);
    let odd = place.run(&[&["export", "home.toml", "--every", "45m"], &span[..]].concat());
    assert_eq!(odd.code(), 2);
    assert!(odd.err().contains("whole half hours"), "{}", odd.err());
    // Energy can be brought in again as well.
    let second = home();
    second.write("hours.csv", &hours);
    second.done(&["import", "home.toml", "hours.csv"]);
    assert!((second.total("import").0 - 7.2).abs() < 1e-9, "{:?}", second.total("import"));
}

#[test]
fn a_sqlite_file_has_plain_rows() {
    let place = home();
    place.write("in.csv", &minute_rows(120, |m| m as f64));
    place.done(&["import", "home.toml", "in.csv"]);
    let args = ["export", "home.toml", "--format", "sqlite", "--output", "out.sqlite"];
    place.done(&[&args, &WHOLE[..]].concat());
    let conn = rusqlite::Connection::open(place.path("out.sqlite")).unwrap();
    let one = |sql: &str| conn.query_row(sql, [], |r| r.get::<_, f64>(0)).unwrap();
    assert_eq!(one("SELECT sum(watts) FROM power WHERE point = 'grid'"), 7140.0);
    assert_eq!(one("SELECT count(*) FROM received WHERE name = 'point.grid'"), 120.0);
    assert_eq!(one("SELECT count(*) FROM half_hour WHERE flow = 'import'"), 4.0);
    let again = place.run(&[&args, &WHOLE[..]].concat());
    assert_eq!(again.code(), 2);
    assert!(again.err().contains("--force"), "{}", again.err());
    assert!(!place.path("out.sqlite.part").exists());
}

#[test]
fn a_backup_can_be_put_in_place_of_the_record() {
    let place = home();
    place.write("in.csv", &minute_rows(600, |m| m as f64));
    place.done(&["import", "home.toml", "in.csv"]);
    let before = exported(&place);
    let told = place.done(&["backup", "home.toml", "copy.db"]);
    assert!(told.contains("bytes, checked"), "{told}");
    assert_eq!(place.run(&["backup", "home.toml", "copy.db"]).code(), 2);
    assert!(place.run(&["backup", "home.toml", "wren.db", "--force"]).err().contains("store itself"));
    place.write("more.csv", "time,grid_w\n2026-07-01T00:00:00Z,5\n2026-07-01T00:01:00Z,5\n");
    place.done(&["import", "home.toml", "more.csv"]);
    assert_ne!(exported(&place), before);
    // As `overspill backup --help` says.
    for ending in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(place.path(&format!("wren.db{ending}")));
    }
    std::fs::rename(place.path("copy.db"), place.path("wren.db")).unwrap();
    assert_eq!(exported(&place), before);
    assert_eq!(
        place.reader().half_hours(EVER.0, EVER.1).unwrap().iter().filter(|h| h.flow == "import").count(),
        20
    );
}

#[test]
fn bad_lines_are_told_with_their_number_and_the_good_ones_taken() {
    let place = home();
    let text = "time,grid_w,solar_w\n2026-06-21T10:00:00Z,500,1000\n2026-06-21T10:01:00Z,five,1000\n\
                yesterday,1,1\n2026-06-21T10:02:00Z,700,1200\n2026-03-29T01:30,1,1\n2026-06-21T10:03:00Z,1,1,1\n";
    place.write("in.csv", text);
    let strict = place.run(&["import", "home.toml", "in.csv", "--strict"]);
    assert_eq!(strict.code(), 1);
    assert!(!place.path("wren.db").exists() || place.total("import").1 == 0.0);
    insta::assert_snapshot!(place.done(&["import", "home.toml", "in.csv"]));
    let wrong = place.run(&["import", "home.toml", "in.csv", "--rename", "solar_w=sola_w"]);
    assert_eq!(wrong.code(), 2);
    insta::assert_snapshot!(wrong.err());
}
