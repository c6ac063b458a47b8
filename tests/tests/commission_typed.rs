//! What is typed while nothing is asked.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::sync::{Arc, Mutex};

use overspill::commission::{AtTheKeys, Options, Paper, record, run};
use overspill::config;
use overspill::daemon::HomeClock;
use overspill_rules::time::WallTime;
use overspill_tests::servers::{Folder, Mosquitto};
use tokio::sync::mpsc;

const HOME: &str = include_str!("commission_live/home.toml");

/// Whoever pressed Enter while a quiet was awaited did not switch yet; whoever typed stop does not want to wait.
#[tokio::test(flavor = "multi_thread")]
async fn enter_before_it_is_asked_for_is_no_answer_and_stop_is_heard_at_once() {
    let folder = Folder::new("commission-typed");
    let broker = Mosquitto::start();
    let home = folder.path().join("home.toml");
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    std::fs::write(&home, HOME.replace("1883", &broker.port().to_string())).unwrap();
    let config = config::read(&home).unwrap();
    let said: Arc<Mutex<String>> = Arc::default();
    let (keys, lines) = mpsc::channel(8);
    let to = Arc::clone(&said);
    let options = Options {
        // The minute of watching would last a minute.
        clock: HomeClock::made_up(WallTime(1_781_775_600_000), 1.0),
        paper: Paper::new(80, false, false),
        print: Box::new(move |text| to.lock().unwrap().push_str(text)),
        installer: Box::new(AtTheKeys),
        lines,
        only: Some("watch".to_owned()),
        record: folder.path().join("home.commission.json"),
        fingerprint: record::fingerprint(HOME.as_bytes()),
    };
    for line in ["", "stop"] {
        keys.send(line.to_owned()).await.unwrap();
    }
    let ended = run(&config, options, std::future::pending()).await.unwrap_or_else(|why| panic!("{why}"));
    let said = said.lock().unwrap();
    assert!(said.contains("Too early") && said.contains("Stopped"), "{said}");
    assert_eq!(ended.record.test("watch").unwrap().at, None, "the step was not finished");
}
