//! Messages that can't be read or taken.

use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_can_t_be_read_is_told_and_harms_nothing() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    house.edit("unit = \"°C\"", "unit = \"°C\"\nstale_after = \"1m\"");
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.say("house/solar", "lots");
    let (notice, _) = ears.json("notice", |v| v["about"] == "point/solar").await;
    assert_eq!((&notice["code"], &notice["severity"]), (&"unreadable".into(), &"warning".into()));
    assert!(notice["text"].as_str().unwrap().contains("lots"), "{notice}");
    ears.say("house/grid", r#"{"voltage": 230}"#);
    let (notice, _) = ears.json("notice", |v| v["about"] == "point/grid").await;
    assert!(notice["text"].as_str().unwrap().contains("/power"), "{notice}");
    ears.say("tank/temperature", "120");
    let (notice, _) = ears.json("notice", |v| v["about"] == "input/tank_c").await;
    assert_eq!(notice["code"], "implausible");

    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_oversize_message_is_dropped_told_and_harms_nothing() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.mark();
    let large = house.path("large");
    std::fs::write(&large, vec![b'7'; 100_000]).unwrap();
    // Our own link publishes nothing of this size.
    overspill_tests::servers::mosquitto_pub(
        broker.port(),
        &["-t", "house/solar", "-f", large.to_str().unwrap()],
    );
    let told = ears.notice("message_dropped").await;
    assert!(told.contains("house/solar") && told.contains("100000"), "{told}");
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    assert!(ears.said("overspill/wren/status").is_empty(), "the connection stood");
    daemon.stop().await;
}
