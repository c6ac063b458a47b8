//! Every home in `examples` runs as it is, but for the broker's port.

use std::path::{Path, PathBuf};

use overspill::config;
use overspill::daemon::{HomeClock, RunOptions};
use overspill_rules::time::Span;
use overspill_tests::servers::{Folder, Mosquitto};

use crate::house::{Daemon, Ears, NOON, copy};

fn homes() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let mut homes: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    homes.sort();
    homes
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_comes_up_with_its_rules_and_takes_leave() {
    let broker = Mosquitto::start();
    for example in homes() {
        let folder = Folder::new("example");
        copy(&example, folder.path());
        let file = folder.path().join("home.toml");
        let text = std::fs::read_to_string(&file).unwrap();
        let here = format!("127.0.0.1:{}", broker.port());
        std::fs::write(&file, text.replace("127.0.0.1:1883", &here)).unwrap();
        let config = config::read(&file).unwrap_or_else(|why| panic!("{}: {why}", example.display()));

        let topics = format!("overspill/{}", config.home.id);
        let mut ears = Ears::at(broker.port()).await;
        let clock = HomeClock::made_up(NOON, 1.0);
        let options = RunOptions { clock, made_up: true, listen_for: Span(200), ..RunOptions::default() };
        let daemon = Daemon::start(config, options);
        ears.word(&format!("{topics}/status"), "up").await;
        for rule in rules(&folder.path().join("rules")) {
            let topic = format!("{topics}/rule/{rule}");
            let told = ears.until("the state of a rule", |h| h.topic == topic).await;
            // No meter speaks yet, so most of them wait.
            let well = ["\"ok\"", "\"waiting\""].iter().any(|state| told.payload.contains(state));
            assert!(well, "{topic} {}", told.payload);
        }
        daemon.stop().await;
        ears.word(&format!("{topics}/status"), "down").await;
    }
}

/// The names of the rules in a folder.
fn rules(folder: &Path) -> Vec<String> {
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let rules = files.filter(|file| file.extension().is_some_and(|e| e == "rhai"));
    rules.map(|file| file.file_stem().unwrap().to_string_lossy().into_owned()).collect()
}
