//! A point that has another name now keeps its history.

use std::time::Duration;

use overspill::store::{Options, Store};

use crate::support::{EVER, Place};

fn start(place: &Place) {
    let config = overspill::config::read(&place.path("home.toml")).unwrap();
    let options = Options { renamed: config.store.renamed.clone(), ..Options::default() };
    let (store, _) = Store::open(&config.store.path, &config.home, options).unwrap();
    assert!(store.close(Duration::from_secs(5)));
}

fn rename(place: &Place, more: &str) {
    let text = std::fs::read_to_string(place.path("home.toml")).unwrap();
    place.write("home.toml", &text.replace("[point.grid]\n", &format!("[point.tail]\n{more}")));
}

#[test]
fn readings_definitions_and_corrections_come_along() {
    let place = Place::new("Europe/London", &[("grid", "grid"), ("solar", "solar")]);
    place.write("in.csv", "time,grid_w,solar_w\n2026-06-20T10:00:00Z,500,0\n2026-06-20T10:01:00Z,700,10\n");
    place.done(&["import", "home.toml", "in.csv"]);
    let span = ["--from", "2026-06-20", "--to", "2026-06-20"];
    let scale = ["correct", "home.toml", "grid", "--scale", "2", "--by", "Ada", "--yes"];
    place.done(&[&scale, &span[..]].concat());
    let before = place.done(&[&["export", "home.toml"], &span[..]].concat());
    rename(&place, "was = \"grid\"\n");
    start(&place);
    let after = place.done(&[&["export", "home.toml"], &span[..]].concat());
    assert_eq!(after, before.replace("grid_w", "tail_w"));
    assert!(after.contains(",1400,10"), "{after}");
    assert_eq!(place.reader().series().unwrap(), ["point.solar", "point.tail"]);
    assert!(place.done(&["correct", "home.toml", "--list"]).contains("tail times 2"));
    // Undoing counts again under the new name.
    place.done(&["correct", "home.toml", "--undo", "1", "--by", "Ada", "--yes"]);
    assert!((place.total("import").0 - 0.02).abs() < 1e-9, "{:?}", place.total("import"));
    // A further start changes nothing.
    start(&place);
    assert_eq!(place.reader().series().unwrap(), ["point.solar", "point.tail"]);
}

#[test]
fn two_histories_are_not_made_one() {
    let place = Place::new("Europe/London", &[("grid", "grid")]);
    let rows = |id: &str| format!("time,{id}_w\n2026-06-20T10:00:00Z,500\n2026-06-20T10:01:00Z,700\n");
    place.write("in.csv", &rows("grid"));
    place.done(&["import", "home.toml", "in.csv"]);
    rename(&place, "");
    place.write("in.csv", &rows("tail"));
    place.done(&["import", "home.toml", "in.csv"]);
    let text = std::fs::read_to_string(place.path("home.toml")).unwrap();
    place.write("home.toml", &text.replace("[point.tail]\n", "[point.tail]\nwas = \"grid\"\n"));
    start(&place);
    let reader = place.reader();
    for series in ["point.grid", "point.tail"] {
        assert_eq!(reader.samples(series, EVER.0, EVER.1).unwrap().len(), 2, "{series}");
    }
}
