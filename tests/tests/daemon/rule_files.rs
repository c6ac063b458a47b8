//! Rules change while the daemon runs, or are broken when it starts.

use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House};

const HEAT: &str = "fn decide(home) { home.load(\"water\").run_at_w(1000, \"always warm\"); }\n";
const HOT: &str = "fn decide(home) { home.load(\"water\").run_at_w(2000, \"hot\"); }\n";
const BROKEN: &str = "fn decide(home) { home.load(\"water\").run_at_w(3000, \"never\"; }\n";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn changed_rules_come_into_force_whole_or_not_at_all() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    house.write_rule("water", HEAT);
    assert!(ears.notice("rules_changed").await.contains("busy, car, water"));
    ears.word("tank/heater/wanted", "1000").await;

    ears.mark();
    house.write_rule("water", BROKEN);
    house.write_rule(
        "car",
        "fn decide(home) { home.load(\"car\").run_at_a(6.0, \"along with a broken one\"); }\n",
    );
    let told = ears.notice("rules_broken").await;
    assert!(told.contains("the former rules stay in force") && told.contains("water.rhai"), "{told}");

    // The good one of the two is not in force either: the next reading shows it.
    ears.mark();
    ears.meters(501.0, 0.0);
    ears.json("balance", |v| v["grid_w"] == 501.0).await;
    assert!(ears.said("garage/car/wanted").is_empty() && ears.said("overspill/wren/load/car").is_empty());

    house.write_rule("water", HOT);
    ears.word("tank/heater/wanted", "2000").await;
    ears.word("garage/car/wanted", "6").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rules_that_are_broken_at_the_start_give_way_to_the_last_good_ones() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    house.write_rule("water", HEAT);
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    daemon.stop().await;

    house.write_rule("water", BROKEN);
    ears.mark();
    let daemon = house.start();
    ears.up().await;
    assert!(ears.notice("rules_broken").await.contains("the last good rules are used instead"));
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "1000").await;
    ears.mark();
    house.write_rule("water", HOT);
    ears.word("tank/heater/wanted", "2000").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_good_ones_the_broken_rule_alone_is_suspended() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    house.write_rule("water", BROKEN);
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    let (rule, _) = ears.json("rule/water", |v| v["state"] == "suspended").await;
    assert_eq!(rule["line"], 1);
    ears.json("rule/car", |v| v["state"] == "ok").await;
    assert!(ears.notice("rule_suspended").await.contains("water"));
    daemon.stop().await;
}
