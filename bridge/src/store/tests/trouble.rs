//! Everything that can be wrong with the file: said clearly, and survived.

use std::time::Duration;

use rusqlite::Connection;
use tempfile::{TempDir, tempdir};

use super::super::{SCHEMA_VERSION, Store, StoreError, StoreState};
use super::*;

const SOON: Duration = Duration::from_secs(30);

/// The message with the folder left out, since it differs from run to run.
fn said(folder: &TempDir, error: &StoreError) -> String {
    error.to_string().replace(folder.path().to_str().unwrap(), "DIR")
}

fn refused(folder: &TempDir, path: &Path) -> String {
    said(folder, &Db::open(&place(path, &home(), &Options::default())).expect_err("refused"))
}

#[test]
fn a_missing_folder_is_named() {
    let folder = tempdir().unwrap();
    insta::assert_snapshot!(refused(&folder, &folder.path().join("data/wren.db")), @"DIR/data/wren.db: the store can't be made, because its folder `DIR/data` does not exist. Make the folder, or change `path` under [store] in the home file.");
}

#[test]
fn a_file_of_a_newer_version_is_refused_and_left_alone() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (db, _) = open(&path);
    db.conn.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    drop(db);
    let text = refused(&folder, &path)
        .replace(&format!("is {},", SCHEMA_VERSION + 1), "is NEWER,")
        .replace(&format!("up to {SCHEMA_VERSION})"), "up to KNOWN)");
    insta::assert_snapshot!(text, @"DIR/wren.db: the store was written by a newer overspill (its version is NEWER, this program knows up to KNOWN). Install the newer program again, or give `path` under [store] another file.");
    let runs: i64 =
        Connection::open(&path).unwrap().query_row("SELECT count(*) FROM run", [], |r| r.get(0)).unwrap();
    assert_eq!(runs, 1);
    let read = StoreReader::open_read_only(&path);
    assert!(
        matches!(read, Err(StoreError::Newer { found, known: SCHEMA_VERSION, .. }) if found > SCHEMA_VERSION)
    );
}

#[test]
fn a_file_of_something_else_is_refused_and_left_alone() {
    let folder = tempdir().unwrap();
    let text = folder.path().join("notes.txt");
    let content = "Dear diary, this is not a database. ".repeat(100);
    std::fs::write(&text, &content).unwrap();
    insta::assert_snapshot!(refused(&folder, &text), @"DIR/notes.txt: this file is not a store of overspill. Nothing was changed in it. Move it away, or change `path` under [store] in the home file.");
    assert_eq!(std::fs::read_to_string(&text).unwrap(), content);

    let other = folder.path().join("other.db");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE stamps (country TEXT)").unwrap();
    let before = std::fs::read(&other).unwrap();
    assert!(matches!(
        Db::open(&place(&other, &home(), &Options::default())),
        Err(StoreError::NotOurs { .. })
    ));
    assert_eq!(std::fs::read(&other).unwrap(), before);
}

#[test]
fn a_read_only_file_is_told() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    drop(open(&path));
    let mut permissions = std::fs::metadata(&path).unwrap().permissions();
    permissions.set_readonly(true);
    std::fs::set_permissions(&path, permissions).unwrap();
    insta::assert_snapshot!(refused(&folder, &path), @"DIR/wren.db: the store can't be written (the file is marked read-only). Give the user that runs overspill the right to write the file and its folder.");
}

#[test]
fn a_damaged_file_is_told() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    drop(open(&path));
    let mut bytes = std::fs::read(&path).unwrap();
    // The first page keeps its header, so that it still looks like a store; the rest is rubbish.
    bytes[100..].fill(0xa5);
    std::fs::write(&path, bytes).unwrap();
    insta::assert_snapshot!(refused(&folder, &path), @"DIR/wren.db: the store is damaged (database disk image is malformed). Stop the daemon, keep a copy of the file, and put a backup in its place; without a backup, move it away and a new one is made.");
}

#[test]
fn a_second_daemon_is_refused_and_readers_are_not() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let text = refused(&folder, &path).replace(&std::process::id().to_string(), "PID");
    insta::assert_snapshot!(text, @"DIR/wren.db: another overspill is using this store (process PID). One store serves one daemon: stop the other, or give this home a `path` of its own under [store].");

    let read = reader(&path);
    db.write(&taken(|h| h.input(stamp(0, 0), &grid(1.0)))).unwrap();
    assert_eq!(read.samples("point.grid", EVER.0, EVER.1).unwrap().len(), 1);
    drop(db);
    open(&path);
}

#[test]
fn there_is_nothing_to_read_before_the_first_run() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let error = StoreReader::open_read_only(&path).expect_err("no file");
    insta::assert_snapshot!(said(&folder, &error), @"DIR/wren.db: there is no store yet. `overspill run` makes it; is `path` under [store] right?");
    assert!(!path.exists());
}

/// Lets the file grow no further, as a full disk does.
fn fill_disk(db: &Db) {
    let pages: i64 = db.conn.query_row("PRAGMA page_count", [], |r| r.get(0)).unwrap();
    db.conn.pragma_update(None, "max_page_count", pages).unwrap();
}

fn many(handle: &StoreHandle) {
    (0..3000).for_each(|i| handle.input(stamp(i / 2, i as u64 / 2), &grid(i as f64 + 0.5)));
}

#[test]
fn after_a_full_disk_the_same_entries_are_written_once() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| h.input(stamp(0, 0), &grid(-1.0)))).unwrap();
    fill_disk(&db);
    let write = taken(many);
    let error = db.write(&write).expect_err("full");
    insta::assert_snapshot!(said(&folder, &error), @"DIR/wren.db: the disk is full, so nothing can be recorded. Make room; recording goes on by itself.");
    db.conn.pragma_update(None, "max_page_count", 1_000_000).unwrap();
    db.write(&write).unwrap();

    let found = reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap();
    assert_eq!(found.len(), 3001);
    let groups: i64 = db.conn.query_row("SELECT count(*) FROM tick", [], |r| r.get(0)).unwrap();
    assert_eq!(groups, 1500, "the first group joins the one that was there");
}

#[test]
fn control_goes_on_when_the_disk_is_full() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (db, _) = open(&path);
    fill_disk(&db);
    let mut store =
        Store::start(place(&path, &home(), &Options::default()), Ok(db), Options::default()).unwrap();
    let handle = store.handle();
    many(&handle);
    let full = StoreState::Broken(StoreError::Full { path });
    assert_eq!(store.flush(SOON), Some(full.clone()));
    assert_eq!(handle.state(), full);
    let notice = store.notice_now().expect("a notice");
    assert_eq!((notice.code.as_str(), notice.text.contains("disk is full")), ("store_failed", true));

    handle.input(stamp(9000, 9000), &grid(1.0));
    assert_eq!(store.flush(SOON), Some(full));
    assert!(store.notice_now().is_none(), "the same trouble is told once");
    assert_eq!(handle.lost(), 0, "it all waits");
    assert!(store.close(SOON));
}

#[test]
fn a_store_that_comes_back_gets_what_waited() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut first, _) = open(&path);
    let out = Record::OutOfService { load: CAR, by: Some("Bo".to_owned()) };
    first.write(&taken(|h| h.output(stamp(0, 0), &Output::Record(out)))).unwrap();

    let (mut store, restored) = Store::open_or_wait(&path, &home(), Options::default()).unwrap();
    assert_eq!(restored, Restored::default());
    assert!(matches!(store.handle().state(), StoreState::Broken(StoreError::InUse { .. })));
    store.handle().input(stamp(0, 0), &grid(1.0));
    drop(first);
    assert_eq!(store.flush(SOON), Some(StoreState::Working));
    assert_eq!(reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap().len(), 1);

    let notices: Vec<_> = std::iter::from_fn(|| store.notice_now()).collect();
    let codes: Vec<_> = notices.iter().map(|n| n.code.as_str()).collect();
    assert_eq!(codes, ["store_failed", "store_late", "store_recovered"]);
    insta::assert_snapshot!(notices[1].text, @"The store could be opened only now. What it kept from before was not used: overrides and what was learnt begin anew. Out of service according to it, and not held so at present: car (by Bo). Restart overspill to hold them.");
    assert!(store.close(SOON));
}

#[test]
fn what_no_waiting_mends_is_given_up_until_the_next_start() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("notes.txt");
    std::fs::write(&path, "not a database, and long enough to be told from an empty one".repeat(20)).unwrap();
    let (store, _) = Store::open_or_wait(&path, &home(), Options::default()).unwrap();
    let handle = store.handle();
    many(&handle);
    let not_ours = StoreState::Broken(StoreError::NotOurs { path });
    assert_eq!(store.flush(SOON), Some(not_ours.clone()));
    assert_eq!((handle.state(), handle.lost()), (not_ours, 3000));
    assert!(store.close(SOON));
}

#[test]
fn closing_writes_what_waits() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (store, _) = Store::open(&path, &home(), Options::default()).unwrap();
    store.handle().input(stamp(0, 0), &grid(1.0));
    assert!(store.close(SOON));
    assert!(!folder.path().join("wren.db-wal").exists(), "the file stands by itself after an orderly end");
    assert_eq!(reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap().len(), 1);
}
