//! How it ends: asked to, or abruptly.

use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn asked_to_end_it_gives_every_load_its_fallback_and_takes_leave() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    house.edit("fallback = \"release\"", "fallback = { amps = 10 }");
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-5000.0, 5500.0);
    ears.until("a running heater", |h| h.topic == "tank/heater/wanted" && h.payload != "0").await;
    ears.until("the sign of life", |h| h.topic == "overspill/wren/instance" && h.payload.contains("since"))
        .await;

    ears.mark();
    daemon.stop().await;
    ears.word("overspill/wren/status", "down").await;
    ears.word("overspill/wren/instance", "").await;
    assert_eq!(ears.said("garage/car/wanted").last().map(String::as_str), Some("10"));
    assert_eq!(ears.said("tank/heater/wanted").last().map(String::as_str), Some("0"));
    // The last words come last; the meters go on meanwhile.
    let topics = ears.since_mark().iter().map(|h| h.topic.as_str());
    let heard: Vec<&str> = topics.filter(|topic| !topic.starts_with("house/")).collect();
    assert_eq!(heard[heard.len() - 2..], ["overspill/wren/status", "overspill/wren/instance"]);
    assert_eq!(Ears::kept(broker.port(), "overspill/wren/status").await, "down");
    let mut newcomer = Ears::at(broker.port()).await;
    newcomer.word("overspill/wren/status", "down").await;
    assert!(newcomer.said("overspill/wren/instance").is_empty(), "the sign of life is cleared");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_released_load_is_sent_nothing_at_the_end() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    ears.mark();
    daemon.stop().await;
    ears.word("overspill/wren/status", "down").await;
    assert!(ears.said("garage/car/wanted").is_empty(), "its own time-out acts");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crash_is_told_by_the_will() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.mark();
    daemon.kill();
    ears.word("overspill/wren/status", "down").await;
    assert_eq!(Ears::kept(broker.port(), "overspill/wren/status").await, "down");
}
