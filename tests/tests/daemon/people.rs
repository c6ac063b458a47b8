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
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.json("load/water", |v| v["on"] == false).await;

    let refused = [
        (r#"{"want": "on", "watts": 3500}"#, "override_refused", "above its ceiling"),
        (r#"{"want": "on", "until": "2020-01-01T00:00:00Z"}"#, "override_refused", "already past"),
        (r#"{"want": "of"}"#, "unreadable", "did you mean `on`"),
    ];
    for (wish, code, why) in refused {
        ears.mark();
        ears.say(WISH, wish);
        let text = ears.notice(code).await;
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
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let wish = r#"{"want": "on", "watts": 1000}"#;
    ears.link.publish(WISH, wish, overspill::mqtt::Qos::AtLeastOnce, true, None).unwrap();
    ears.word(WISH, wish).await;
    let daemon = house.start();
    ears.up().await;
    // It was refused while the daemon still listened for another instance; the notice waited.
    assert!(ears.notice("override_refused").await.contains("send it without retain"));
    ears.meters(500.0, 0.0);
    ears.json("load/water", |v| v["reason"] == "spare solar; not enough spare power").await;
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
