//! What an import takes, what it leaves, and what counts where several files and the daemon tell of the same time.

use overspill::config;
use overspill::store::{Filler, Stamp};
use overspill_rules::home::PointId;
use overspill_rules::input::{Input, Reading};
use overspill_rules::output::{EnergyRow, Flow, Output, Record};
use overspill_rules::time::{Moment, WallTime};

use crate::support::{EVER, Place, near};

const HALF_HOUR_MS: i64 = 1_800_000;

/// 2026-06-21T10:00:00Z.
const TEN: i64 = 1_782_036_000_000;

fn home() -> Place {
    Place::new("Europe/London", &[("grid", "grid"), ("solar", "solar")])
}

fn time(ms: i64) -> String {
    WallTime(ms).to_rfc3339()
}

/// A file with one column, a row every `every_ms` from `from` on.
fn file(column: &str, from: i64, every_ms: i64, values: &[f64]) -> String {
    let rows = values.iter().zip(0..).map(|(v, n)| format!("{},{v}\n", time(from + n * every_ms)));
    format!("time,{column}\n{}", rows.collect::<String>())
}

fn import(place: &Place, text: &str, args: &[&str]) -> String {
    place.write("in.csv", text);
    place.done(&[&["import", "home.toml", "in.csv"], args].concat())
}

fn half_hour(place: &Place, flow: &str, start: i64) -> Option<(f64, f64)> {
    let rows = place.reader().half_hours(WallTime(start), WallTime(start + 1)).unwrap();
    rows.into_iter().find(|r| r.flow == flow).map(|r| (r.kwh, r.covered_s))
}

#[test]
fn a_suppliers_two_files_add_up_and_each_is_a_flow_of_its_own() {
    let place = home();
    let bought = file("grid_import_kwh", TEN, HALF_HOUR_MS, &[0.5, 0.25, 0.0]);
    import(&place, &bought, &[]);
    import(&place, &file("grid_export_kwh", TEN, HALF_HOUR_MS, &[0.0, 0.125, 1.0]), &[]);
    near(place.total("import").0, 0.75, "import");
    near(place.total("export").0, 1.125, "export");
    // The house is known once all its parts are.
    assert_eq!(place.total("house").1, 0.0);
    import(&place, &file("solar_wh", TEN, HALF_HOUR_MS, &[0.0, 500.0, 1500.0]), &[]);
    near(place.total("house").0, 0.75 - 1.125 + 2.0, "house");
    assert_eq!(place.total("house").1, 3.0 * 1800.0);

    let again = import(&place, &bought, &[]);
    assert!(again.contains("Nothing new"), "{again}");
    near(place.total("import").0, 0.75, "import, the same file again");
    // A supplier puts an estimate right.
    let right = import(&place, &file("grid_import_kwh", TEN, HALF_HOUR_MS, &[0.5, 0.75, 0.0]), &[]);
    assert!(right.contains("(1 put right)"), "{right}");
    near(place.total("import").0, 1.25, "import, put right");
    near(place.total("house").0, 1.25 - 1.125 + 2.0, "house, put right");
}

#[test]
fn netted_energy_is_taken_with_a_warning() {
    let place = home();
    let told = import(&place, &file("grid_kwh", TEN, HALF_HOUR_MS, &[0.5, -0.25]), &[]);
    assert!(told.contains("grid_kwh is netted"), "{told}");
    assert_eq!(half_hour(&place, "import", TEN), Some((0.5, 1800.0)));
    assert_eq!(half_hour(&place, "export", TEN + HALF_HOUR_MS), Some((0.25, 1800.0)));
}

#[test]
fn local_half_hours_of_the_days_on_which_clocks_change() {
    for (day, hours, halves) in [("2026-03-29", [0, 2], 46.0), ("2026-10-25", [1, 1], 50.0)] {
        let place = home();
        let mut rows = Vec::new();
        for half in 0..48 {
            let row = format!("{day} {:02}:{:02},0.5\n", half / 2, half % 2 * 30);
            // In March the hour from 01:00 is left out, in October it comes twice.
            let hour = half / 2;
            match halves as i64 {
                46 if hour == 1 => {}
                50 if half == 3 => {
                    rows.push(row);
                    rows.extend([format!("{day} 01:00,0.5\n"), format!("{day} 01:30,0.5\n")]);
                }
                _ => rows.push(row),
            }
        }
        assert_eq!(rows.len() as f64, halves, "{day}, {hours:?}");
        import(&place, &format!("time,solar_kwh\n{}", rows.concat()), &[]);
        let days = place.reader().days(EVER.0, EVER.1).unwrap();
        let solar: Vec<(&str, f64, f64)> = days
            .iter()
            .filter(|d| d.flow == "solar")
            .map(|d| (d.date.as_str(), d.kwh, d.covered_s))
            .collect();
        assert_eq!(solar, [(day, halves / 2.0, halves * 1800.0)]);
    }
}

#[test]
fn a_days_total_gives_way_to_what_is_finer() {
    let place = Place::new("UTC", &[("solar", "solar")]);
    let midnight = TEN - 10 * 3_600_000;
    import(&place, &file("solar_kwh", midnight, 86_400_000, &[48.0, 24.0]), &[]);
    near(place.total("solar").0, 72.0, "two days");
    assert_eq!(half_hour(&place, "solar", TEN), Some((1.0, 1800.0)));
    import(&place, &file("solar_kwh", TEN, HALF_HOUR_MS, &[3.0, 4.0]), &[]);
    assert_eq!(half_hour(&place, "solar", TEN), Some((3.0, 1800.0)));
    assert_eq!(half_hour(&place, "solar", TEN - HALF_HOUR_MS), Some((1.0, 1800.0)));
    near(place.total("solar").0, 72.0 - 2.0 + 7.0, "with the finer file");
}

#[test]
fn files_that_overlap_fill_only_what_is_free() {
    let place = home();
    let minute = 60_000;
    import(&place, &file("grid_w", TEN, minute, &[1000.0; 120]), &[]);
    let told = import(&place, &file("grid_w", TEN + 60 * minute, minute, &[2000.0; 120]), &[]);
    assert!(told.contains("Imported 60 numbers. 60 were left out"), "{told}");
    near(place.total("import").0, 2.0 + 2.0, "three hours");
    assert_eq!(place.total("import").1, 3.0 * 3600.0);
    // Means of half an hour over minutes that are there.
    let coarse = import(&place, &file("grid_w", TEN, HALF_HOUR_MS, &[9000.0; 6]), &[]);
    assert!(coarse.contains("Nothing new"), "{coarse}");
    near(place.total("import").0, 4.0, "still");
}

/// An hour of readings every 10 s, as the daemon records them, with the half hours that it counted.
fn recorded(place: &Place, from: i64, watts: f64) {
    let home = config::read(&place.path("home.toml")).unwrap().home;
    let mut filler = Filler::open(&place.path("wren.db"), &home).unwrap();
    let handle = filler.handle();
    let stamp = |n: i64| Stamp {
        moment: Moment(n * 10_000),
        batch: n as u64,
        wall: Some(WallTime(from + n * 10_000)),
    };
    for n in 0..360 {
        let reading =
            Reading { point: PointId(0), extra: None, value: watts, device_time: None, retained: false };
        handle.input(stamp(n), &Input::Reading(reading));
    }
    for start in [from, from + HALF_HOUR_MS] {
        let row = EnergyRow {
            flow: Flow::Import,
            start: WallTime(start),
            kwh: watts / 2000.0,
            covered_s: 1790.0,
            provisional: false,
            peak: None,
        };
        handle.output(stamp(359), &Output::Record(Record::Energy(row)));
    }
    filler.commit().unwrap();
    filler.close();
}

#[test]
fn what_was_recorded_stays() {
    let place = home();
    recorded(&place, TEN, 1000.0);
    let told = import(&place, &file("grid_w", TEN - 3_600_000, 60_000, &[600.0; 180]), &[]);
    // The last recorded reading stands for 30 s, into the first minute after it.
    assert!(told.contains("Imported 119 numbers. 61 were left out"), "{told}");
    let read = place.reader();
    let inside = read.samples("point.grid", WallTime(TEN), WallTime(TEN + 3_600_000)).unwrap();
    assert_eq!(inside.len(), 360);
    assert!(inside.iter().all(|s| s.value == Some(1000.0)));
    assert_eq!(half_hour(&place, "import", TEN), Some((0.5, 1790.0)));
    let (kwh, covered_s) = half_hour(&place, "import", TEN - HALF_HOUR_MS).unwrap();
    near(kwh, 0.3, "the half hour before");
    near(covered_s, 1800.0, "its coverage");
    // Nor does a supplier's half hour take the place of one that was measured whole.
    import(&place, &file("grid_import_kwh", TEN, HALF_HOUR_MS, &[7.0, 7.0]), &[]);
    let (kwh, _) = half_hour(&place, "import", TEN).unwrap();
    assert!(kwh == 0.5, "{kwh}");
    // Any SQL client sees the same.
    let conn = rusqlite::Connection::open(place.path("wren.db")).unwrap();
    let sql = "SELECT kwh FROM half_hour WHERE flow = 'import' AND start = ?1";
    assert_eq!(conn.query_row(sql, [TEN], |r| r.get::<_, f64>(0)).unwrap(), 0.5);
}

#[test]
fn ends_of_intervals_semicolons_and_decimal_commas() {
    let place = Place::new("UTC", &[("solar", "solar")]);
    let text = "time;solar_kwh\n2026-06-21T10:30:00Z;0,5\n2026-06-21T11:00:00Z;1,25\n";
    import(&place, text, &["--interval-at", "end"]);
    assert_eq!(half_hour(&place, "solar", TEN), Some((0.5, 1800.0)));
    assert_eq!(half_hour(&place, "solar", TEN + HALF_HOUR_MS), Some((1.25, 1800.0)));
}

#[test]
fn a_dry_run_tells_the_same_and_changes_nothing() {
    let place = home();
    let text = file("grid_w", TEN, 60_000, &[1000.0; 30]);
    let told = import(&place, &text, &["--dry-run"]);
    assert!(told.contains("Would import 30 numbers; nothing was changed."), "{told}");
    assert!(!place.path("wren.db").exists());
    import(&place, &text, &[]);
    let again = import(&place, &text, &["--dry-run"]);
    assert!(again.contains("Would import 0 numbers"), "{again}");
}

#[test]
fn what_was_imported_by_the_half_hour_can_be_replayed() {
    let car = "[load.car]\nkind = \"modulated\"\ntopic = \"car\"\nsend = \"watts\"\nceiling_w = 2000\nturn = 1\n\
               device_timeout = \"2m\"\nfallback = \"off\"\n";
    let point = |id: &str, positive: &str| {
        format!(
            "[point.{id}]\nmeasures = \"{id}\"\ntopic = \"meter/{id}\"\nunit = \"W\"\npositive = \"{positive}\"\n"
        )
    };
    let place = Place::with(
        "Europe/London",
        &[&point("grid", "import"), &point("solar", "generation"), car].concat(),
    );
    place.write("rules/car.rhai", "fn decide(home) { home.load(\"car\").take_spare(\"spare solar\"); }");
    import(&place, &file("grid_w", TEN, HALF_HOUR_MS, &[-1500.0; 8]), &[]);
    import(&place, &file("solar_w", TEN, HALF_HOUR_MS, &[1900.0; 8]), &[]);

    let day = ["replay", "home.toml", "--from", "2026-06-21", "--to", "2026-06-21"];
    // Without a record of what the car takes it gets nothing, and that is said.
    let told = place.done(&day);
    assert!(told.contains("3 h 30 min with readings"), "{told}");
    assert!(told.contains("say with --room"), "{told}");
    assert!(told.contains("grid was imported with a number each 30 min"), "{told}");
    let json = place.done(&[&day[..], &["--room", "car=20", "--format", "json"]].concat());
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let recorded = json["recorded"]["export_kwh"].as_f64().unwrap();
    near(recorded, 1.5 * 3.5, "export as it was");
    // Each column came with a file of its own; the first number of the sun comes just after that of the grid.
    assert!(json["solar_kwh"].as_f64().unwrap() >= 1.9 * 3.0 - 1e-6, "{json}");
    assert!(json["replayed"]["export_kwh"].as_f64().unwrap() < recorded / 2.0, "{json}");

    let ran = place.run(&["why", "home.toml", "car", "--at", "2026-06-21T12:00"]);
    assert_eq!(ran.code(), 2);
    assert!(ran.err().contains("2026-06-21 12:00:00 were imported: no rule was asked then"), "{}", ran.err());
}
