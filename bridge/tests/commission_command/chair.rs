//! `--from --to`: what it prints and how it ends, on an imported history, and what it does to record and sheet.

use overspill::commission::record::{self, Contact, Of, Record, Standing, Test, Who, fingerprint};
use serde_json::Value;

use super::key_lines;
use super::support::{Place, data};

const POINTS: &str = "[point.grid]\nmeasures = \"grid\"\ntopic = \"meter/grid\"\nunit = \"W\"\npositive = \"import\"\n\
    interval = \"60s\"\n\n[point.solar]\nmeasures = \"solar\"\ntopic = \"meter/solar\"\nunit = \"W\"\ninterval = \"60s\"\n";

const JUDGED: [&str; 6] = ["commission", "home.toml", "--from", "2022-03-18", "--to", "2022-03-20"];

/// A home with two recorded days, its grid clamp turned by `sign`.
fn recorded(sign: f64) -> Place {
    let home = Place::with("America/Denver", POINTS);
    let text = std::fs::read_to_string(home.path("home.toml")).unwrap();
    home.write("home.toml", &text.replace("\n[supply]", "latitude = 39.74\nlongitude = -105.18\n\n[supply]"));
    let rows = std::fs::read_to_string(data("spring_43h_1min.csv")).unwrap();
    let mut csv = "time,grid_w,solar_w\n".to_owned();
    for row in rows.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let grid: f64 = cells[3].parse().unwrap();
        csv += &format!("{},{:.2},{}\n", cells[0], sign * grid, cells[2]);
    }
    home.write("history.csv", &csv);
    home.done(&["import", "home.toml", "history.csv"]);
    home
}

/// A record in which the verdicts on both points are open, and a sheet was issued.
fn commissioned(home: &Place) -> Record {
    let print = fingerprint(&std::fs::read(home.path("home.toml")).unwrap());
    let of = Of {
        id: "wren".to_owned(),
        name: "Wren Cottage".to_owned(),
        address: None,
        timezone: "America/Denver".to_owned(),
    };
    let at = "2022-03-18T10:00:00Z".parse().unwrap();
    let mut record = Record::new(of, print.clone(), at);
    record.who =
        Some(Who { name: "R. Fitter".to_owned(), company: None, registration: None, telephone: None });
    record.contacts.push(Contact {
        role: "installer".to_owned(),
        name: "Fitter & Daughter".to_owned(),
        telephone: "01234 567890".to_owned(),
    });
    for point in ["grid", "solar"] {
        record.tests.push(Test {
            id: format!("point.{point}"),
            title: format!("Verdict on `{point}`"),
            at: Some(at),
            by: Some("R. Fitter".to_owned()),
            readings: Vec::new(),
            verdict: Standing::Open,
            words: "It saw no step.".to_owned(),
            next: Some("Do the test load again: it was not switched often enough.".to_owned()),
            proves: vec![format!("point.{point}")],
            home_file: print.clone(),
            before: None,
            earlier: Vec::new(),
        });
    }
    record::issue(&mut record, at);
    record::write(&home.path("home.commission.json"), &record).unwrap();
    record
}

fn json(home: &Place) -> (i32, Value) {
    let ran = home.run(&[&JUDGED[..], &["--format", "json"]].concat());
    (
        ran.code(),
        serde_json::from_str(&ran.out()).unwrap_or_else(|why| panic!("{why}: {}{}", ran.out(), ran.err())),
    )
}

#[test]
fn a_reversed_clamp_is_found_and_ends_with_1() {
    let home = recorded(-1.0);
    let ran = home.run(&JUDGED);
    assert_eq!(ran.code(), 1, "{}", ran.err());
    assert!(ran.out().contains("Wrong: good points could not have read this."), "{}", ran.out());
    assert!(!home.path("home.commission.html").exists(), "where nothing was commissioned there is no sheet");
    let (code, told) = json(&home);
    assert_eq!((code, &told["verdict"]), (1, &Value::from("wrong")));
    insta::assert_snapshot!("history_keys", key_lines(&told));
}

#[test]
fn clean_readings_are_not_called_wrong() {
    let home = recorded(1.0);
    let (_, told) = json(&home);
    assert_ne!(told["verdict"], "wrong");
    assert_eq!(told["explanations"], Value::from(Vec::<Value>::new()));
}

#[test]
fn a_time_without_readings_says_so_and_proves_nothing() {
    let home = recorded(1.0);
    let before = commissioned(&home);
    let ran = home.run(&["commission", "home.toml", "--from", "2021-01-01", "--to", "2021-01-02"]);
    assert_eq!(ran.code(), 1);
    assert_eq!(ran.out(), "No readings of any point in this time: nothing can be judged.\n");
    assert_eq!(record::read(&home.path("home.commission.json")).unwrap(), Some(before));
    let turned = home.run(&["commission", "home.toml", "--from", "2021-01-02", "--to", "2021-01-01"]);
    assert_eq!((turned.code(), turned.err().as_str()), (2, "--from must be earlier than --to.\n"));
}

#[test]
fn what_history_decides_is_kept_and_the_sheet_issued_again_with_the_installer_to_be_told() {
    let home = recorded(-1.0);
    commissioned(&home);
    let (code, told) = json(&home);
    assert_eq!(code, 1);
    insta::assert_snapshot!(format!("{:#}", told["decided"]), @r#"
    [
      "Verdict on `grid`"
    ]
    "#);
    assert_eq!(told["to_be_told"], "the installer, R. Fitter, 01234 567890");
    assert_eq!(told["issued"]["complete"], false);
    let record = record::read(&home.path("home.commission.json")).unwrap().unwrap();
    let grid = record.test("point.grid").unwrap();
    assert_eq!((grid.verdict, grid.by.as_deref()), (Standing::Wrong, Some("recorded history")));
    assert_eq!(grid.earlier[0].words, "It saw no step.", "what was found by switching is not forgotten");
    let sheet = std::fs::read_to_string(home.path("home.commission.html")).unwrap();
    assert!(sheet.contains("Changed since issue 1 of 18 March 2022, 04:00"), "{sheet}");
    assert!(sheet.contains("To be told: the installer, R. Fitter, 01234 567890."));
    // What is decided is not decided again, and no further sheet issued.
    assert_eq!(json(&home).1["decided"], Value::Null);
    assert_eq!(record::read(&home.path("home.commission.json")).unwrap().unwrap().issues.len(), 2);
}
