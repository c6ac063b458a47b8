//! A file of an older version is brought up to date with nothing lost.

use overspill_rules::output::{EnergyRow, Flow};
use rusqlite::Connection;
use tempfile::{TempDir, tempdir};

use super::super::{Keep, SCHEMA_VERSION, StoreError};
use super::sealing::{Happening, hand_over};
use super::*;

/// Tables of version 1, all of which hold something in the file made here.
const TABLES: [&str; 19] = [
    "run",
    "tick",
    "series",
    "definition",
    "sample",
    "event",
    "rule_text",
    "balance",
    "setpoint",
    "decision",
    "notice",
    "energy",
    "load_ratio",
    "rule_memory",
    "held_override",
    "out_of_service",
    "override_id",
    "switched",
    "load_mark",
];

/// A day of everything, as version 1 kept it: its own tables, filled through SQL.
fn file_of_version_1(folder: &TempDir) -> std::path::PathBuf {
    let new = folder.path().join("new.db");
    let (mut db, _) = open(&new);
    for i in 0..288_i64 {
        let stamp = stamp(i * 300_000, i as u64);
        let energy = EnergyRow {
            flow: Flow::Import,
            start: WallTime(NOON + i / 6 * 1_800_000),
            kwh: 0.125,
            covered_s: 300.0,
            provisional: false,
            peak: None,
        };
        let what = [
            Happening::Grid(i as f64 / 10.0),
            Happening::Volts(230.5, Some(NOON), true),
            Happening::Wake,
            Happening::Rules,
            Happening::Balance(i as f64, 300.0, 12.0),
            Happening::Setpoint(i as f64),
            Happening::Decision,
            Happening::Notice,
        ];
        let write = taken(|h| {
            what.iter().for_each(|w| hand_over(h, stamp, w));
            h.output(stamp, &Output::Record(Record::Energy(energy)));
        });
        db.write(&write).unwrap();
    }
    let texts =
        overspill_rules::input::RuleSource { name: "car".to_owned(), text: "fn decide(home) {}".to_owned() };
    let rules = overspill_rules::input::RuleSet { rules: vec![texts], library: Vec::new() };
    let state = taken(|h| {
        h.input(stamp(288 * 300_000, 999), &Input::Rules(rules.clone()));
        restart_state().into_iter().for_each(|r| h.output(stamp(0, 999), &Output::Record(r)));
    });
    db.write(&state).unwrap();
    drop(db);
    let old = folder.path().join("wren.db");
    let file = Connection::open(&old).unwrap();
    file.execute_batch(include_str!("../schema_1.sql")).unwrap();
    file.execute_batch(&format!("ATTACH '{}' AS new", new.display())).unwrap();
    for table in TABLES {
        let sql = format!("INSERT INTO {table} SELECT {} FROM new.{table}", columns(&file, table));
        let rows = file.execute(&sql, []).unwrap();
        assert!(rows > 0, "{table} holds something");
    }
    file.execute_batch("DETACH new; PRAGMA journal_mode = WAL").unwrap();
    file.pragma_update(None, "application_id", 0x4f76_5370).unwrap();
    file.pragma_update(None, "user_version", 1).unwrap();
    old
}

fn restart_state() -> Vec<Record> {
    let held =
        overspill_rules::output::HeldOverride { on: true, watts: None, until: WallTime(NOON), by: None };
    let at = WallTime(NOON);
    let run_time = overspill_rules::time::Span::minutes(1);
    let mark = overspill_rules::script::LoadMark { at, energy_kwh: 1.5, run_time };
    vec![
        Record::Override { load: CAR, held: Some(held) },
        Record::OutOfService { load: WATER, by: Some("Bo".to_owned()) },
        Record::Learnt { load: CAR, ratio: 1.5 },
        Record::Memory { rule: "car".to_owned(), version: 1, json: "{}".to_owned() },
        Record::OverrideId("a".to_owned()),
        Record::LoadMark { load: CAR, mark },
    ]
}

/// The columns of a table as it stands, with commas between.
fn columns(file: &Connection, table: &str) -> String {
    let sql = "SELECT group_concat(name) FROM pragma_table_info(?1, 'main')";
    file.query_row(sql, [table], |r| r.get(0)).unwrap()
}

/// Every row of a table as text, of these columns.
fn rows(file: &Connection, table: &str, columns: &str) -> Vec<String> {
    let mut query = file.prepare(&format!("SELECT {columns} FROM {table}")).unwrap();
    let columns = query.column_count();
    let row = |r: &rusqlite::Row<'_>| {
        (0..columns).map(|i| r.get::<_, rusqlite::types::Value>(i)).collect::<Result<Vec<_>, _>>()
    };
    query.query_map([], row).unwrap().map(|r| format!("{:?}", r.unwrap())).collect()
}

#[test]
fn version_1_is_brought_up_to_date_with_nothing_lost() {
    let folder = tempdir().unwrap();
    let path = file_of_version_1(&folder);
    let file = Connection::open(&path).unwrap();
    let before = TABLES.map(|t| (columns(&file, t), rows(&file, t, &columns(&file, t))));
    let wanted = super::sealing::seen(&folder.path().join("new.db"), EVER);
    drop(file);

    assert!(
        matches!(StoreReader::open_read_only(&path), Err(why @ StoreError::Older { .. }) if why.to_string().contains("Start the daemon once"))
    );
    let (mut db, restored) = open(&path);
    let version: i64 = db.conn.query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap();
    assert_eq!(version, SCHEMA_VERSION);
    for (table, (columns, before)) in TABLES.iter().zip(&before) {
        // Later versions may have added columns; those there were hold what they held.
        let after = rows(&db.conn, table, columns);
        // Only the run that has just begun is new.
        let new = usize::from(*table == "run");
        assert_eq!(after.len(), before.len() + new, "{table}");
        assert_eq!(&after[..before.len()], before, "{table}");
    }
    assert_eq!(restored.kept.out_of_service.len(), 1);
    assert_eq!(super::sealing::seen(&path, EVER), wanted);
    let days = reader(&path).days(EVER.0, EVER.1).unwrap();
    assert_eq!(days.iter().map(|d| d.kwh).sum::<f64>(), 288.0 * 0.125, "days are made of old half hours too");

    while db.seal_step(&Keep::default()).unwrap() {}
    assert!(reader(&path).inventory().unwrap().stretches > 0);
    assert_eq!(super::sealing::seen(&path, EVER), wanted, "and old hours are sealed");
}

#[test]
fn a_disk_that_is_full_leaves_the_old_version_whole() {
    let folder = tempdir().unwrap();
    let path = file_of_version_1(&folder);
    let mut file = Connection::open(&path).unwrap();
    let before = TABLES.map(|t| rows(&file, t, "*"));
    let pages: i64 = file.query_row("PRAGMA page_count", [], |r| r.get(0)).unwrap();
    file.pragma_update(None, "max_page_count", pages).unwrap();
    let error = super::super::schema::prepare(&mut file, &path).expect_err("full");
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
    assert_eq!(TABLES.map(|t| rows(&file, t, "*")), before);
    let version: i64 = file.query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap();
    assert_eq!(version, 1);
    drop(file);
    let (db, _) = open(&path);
    assert_eq!(rows(&db.conn, "sample", "*"), before[4], "with room again it goes on");
}
