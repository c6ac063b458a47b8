//! What people ask of a load over MQTT.

use overspill::daemon::HomeClock;
use overspill_tests::servers::Mosquitto;
use serde_json::Value;

use crate::house::{Ears, House, NOON};

const WISH: &str = "overspill/wren/load/water/override";
const SERVICE: &str = "overspill/wren/load/water/service";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_override_holds_and_ends_by_itself() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    // A minute a second: what a person asks for a minute ends in one.
    house.clock = HomeClock::made_up(NOON, 60.0);
    house.edit("stale_after = \"30s\"", "stale_after = \"1h\"");
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "0").await;

    ears.mark();
    ears.say(WISH, r#"{"want": "on", "watts": 2000, "for": "2m", "by": "Ada"}"#);
    ears.word("tank/heater/wanted", "2000").await;
    let (load, _) = ears.json("load/water", |v| v["on"] == true).await;
    assert!(load["override_until"].is_string() && load["reason"].as_str().unwrap().contains("Ada"), "{load}");

    ears.mark();
    ears.word("tank/heater/wanted", "0").await;
    let (load, _) = ears.json("load/water", |v| v["on"] == false).await;
    assert_eq!(load["override_until"], Value::Null);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn auto_ends_an_override() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.say(WISH, r#"{"want": "on", "watts": 1500}"#);
    ears.word("tank/heater/wanted", "1500").await;
    ears.mark();
    ears.say(WISH, r#"{"want": "auto"}"#);
    ears.word("tank/heater/wanted", "0").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_can_t_be_is_refused_with_a_notice() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    ears.link
        .publish(WISH, r#"{"want": "on", "watts": 1000}"#, overspill::mqtt::Qos::AtLeastOnce, true, None)
        .unwrap();
    ears.until("our own wish", |h| h.topic == WISH).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    // While it listens for another instance it tells nothing twice; the retained wish comes in that time or after it.
    ears.json("load/water", |v| v["on"] == false).await;

    let refused = [
        (r#"{"want": "on", "watts": 3500}"#, "above its ceiling"),
        (r#"{"want": "on", "for": "25h"}"#, "at most 1 d"),
        (r#"{"want": "on", "until": "2020-01-01T00:00:00Z"}"#, "already past"),
        (r#"{"want": "of"}"#, "did you mean `off`"),
        (r#"on"#, "JSON"),
    ];
    for (wish, why) in refused {
        ears.mark();
        ears.say(WISH, wish);
        let (notice, _) = ears.json("notice", |v| v["about"] == "load/water").await;
        let text = notice["text"].as_str().unwrap();
        assert!(text.contains(why) && text.starts_with("Hot water"), "{wish}: {text}");
    }
    ears.mark();
    ears.say(WISH, r#"{"want": "on", "watts": 1000, "id": "tuesday"}"#);
    ears.word("tank/heater/wanted", "1000").await;
    ears.say(WISH, r#"{"want": "on", "watts": 2000, "id": "tuesday"}"#);
    assert!(ears.notice("override_refused").await.contains("tuesday"));
    assert!(!ears.said("tank/heater/wanted").contains(&"2000".to_owned()));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_retained_wish_switches_nothing() {
    let mut broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    // A new subscription brings what is retained.
    broker.kill();
    broker.start_again();
    ears.subscribed().await;
    ears.mark();
    let wish = r#"{"want": "on", "watts": 1000}"#;
    ears.link.publish(WISH, wish, overspill::mqtt::Qos::AtLeastOnce, true, None).unwrap();
    assert!(ears.notice("override_refused").await.contains("send it without retain"));
    assert!(!ears.said("tank/heater/wanted").contains(&"1000".to_owned()));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn out_of_service_lasts_until_a_named_person_lifts_it() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.say(WISH, r#"{"want": "on", "watts": 1000}"#);
    ears.word("tank/heater/wanted", "1000").await;

    ears.mark();
    ears.say(SERVICE, r#"{"out": true, "by": "Bo"}"#);
    ears.word("tank/heater/wanted", "0").await;
    let (load, _) = ears.json("load/water", |v| v["out_of_service"] == "Bo").await;
    assert_eq!(load["limited_by"], "out_of_service");
    assert!(ears.notice("out_of_service").await.contains("no isolation"));

    ears.mark();
    ears.say(SERVICE, r#"{"out": false, "by": ""}"#);
    assert!(ears.notice("out_of_service_refused").await.contains("a name is needed"));
    ears.say(SERVICE, r#"{"out": false, "by": "Cy"}"#);
    ears.word("tank/heater/wanted", "1000").await;
    ears.json("load/water", |v| v["out_of_service"] == Value::Null).await;
    daemon.stop().await;
}
