//! Candidate rules run beside the live ones: told on a topic of their own, never in command, promoted and taken back.

use jiff::Timestamp;
use overspill::shadow;
use overspill_tests::servers::Mosquitto;
use serde_json::Value;

use crate::house::{Ears, House};

const NEVER: &str = "fn decide(home) { home.load(\"water\").stop(\"never\"); }\n";
const WARM: &str = "fn decide(home) { home.load(\"water\").run_at_w(1000, \"always warm\"); }\n";
const BROKEN: &str = "fn decide(home) { home.load(\"water\").run_at_w(1000, \"warm\"; }\n";

/// The example home with a heater that its live rule keeps off and a shadow wants on.
async fn house(broker: &Mosquitto) -> House {
    let mut house = House::new(broker.port()).await;
    house.write_rule("water", NEVER);
    house.add("\n[shadow.eager]\nfolder = \"shadow/eager\"\n\n[shadow.odd]\nfolder = \"shadow/odd\"\n");
    write(&house, "eager", WARM);
    write(&house, "odd", BROKEN);
    house
}

fn write(house: &House, shadow: &str, text: &str) {
    let folder = house.path(&format!("shadow/{shadow}"));
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("new"), text).unwrap();
    std::fs::rename(folder.join("new"), folder.join("water.rhai")).unwrap();
}

/// Every command that the heater ever got.
fn commands(ears: &mut Ears) -> Vec<String> {
    ears.all("tank/heater/wanted")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_shadow_is_told_and_commands_nothing_until_it_is_promoted() {
    let broker = Mosquitto::start();
    let house = house(&broker).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    let (told, heard) = ears.json("shadow/eager", |v| v["loads"]["water"]["on"] == true).await;
    assert_eq!((&told["state"], &told["loads"]["water"]["rule"]), (&"ok".into(), &"water".into()));
    assert_eq!((&told["loads"]["water"]["setpoint_w"], &told["v"]), (&1000.0.into(), &1.into()));
    assert!(told["since"].as_str().unwrap().starts_with("2026-06-01T"), "{told}");
    assert_eq!(heard.topic, "overspill/wren/shadow/eager");
    assert!(!Ears::kept(broker.port(), "overspill/wren/shadow/eager").await.is_empty());

    // The one beside it is broken, which is told, and neither the live rules nor the other shadow mind.
    let (odd, _) = ears.json("shadow/odd", |v| v["state"] == "failed").await;
    assert!(odd["message"].as_str().unwrap().contains("water.rhai"), "{odd}");
    ears.json("load/water", |v| v["on"] == false).await;
    write(&house, "odd", &NEVER.replace("never", "not now"));
    let (odd, _) = ears.json("shadow/odd", |v| v["state"] == "ok").await;
    assert_eq!(odd["loads"]["water"]["on"], false);
    assert!(commands(&mut ears).iter().all(|word| word == "0"), "{:?}", commands(&mut ears));

    // Promoted: the daemon obeys the new rule, and the shadow has no difference left.
    ears.mark();
    let config = house.config();
    shadow::promote(&config, "eager", Timestamp::now()).unwrap();
    assert!(ears.notice("rules_changed").await.contains("water"));
    ears.word("tank/heater/wanted", "1000").await;
    let same = |v: &Value| v["message"].as_str().is_some_and(|m| m.contains("the same as the live ones"));
    ears.json("shadow/eager", same).await;

    ears.mark();
    shadow::undo(&config, false, Timestamp::now()).unwrap();
    ears.word("tank/heater/wanted", "0").await;
    ears.json("shadow/eager", |v| v["message"].is_null() && v["loads"]["water"]["on"] == true).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn its_account_goes_on_after_a_restart() {
    let broker = Mosquitto::start();
    let house = house(&broker).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    let (first, _) = ears.json("shadow/eager", |v| v["loads"]["water"]["starts"] == 1).await;
    daemon.stop().await;
    ears.mark();
    let daemon = house.start();
    ears.up().await;
    let (second, _) = ears.json("shadow/eager", |v| v["loads"]["water"]["starts"] == 2).await;
    assert_eq!(first["since"], second["since"]);
    daemon.stop().await;
}
