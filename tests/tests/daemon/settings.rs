//! What people set over MQTT.

use overspill_tests::servers::Mosquitto;
use serde_json::{Value, json};

use crate::house::{Ears, House};

const SETTINGS: &str = r#"
[setting.guests]
name = "Guests are here"
default = false
expires_after = "24h"

[setting.tank_w]
name = "Heater at most"
default = 1500
unit = "W"
low = 500
high = 3000
step = 100
"#;

const RULE: &str = r#"
fn decide(home) {
    if home.setting("guests") { home.load("water").run_at_w(home.setting("tank_w"), "guests are here"); }
}
"#;

async fn house(broker: &Mosquitto) -> House {
    let mut house = House::new(broker.port()).await;
    house.add(SETTINGS);
    house.write_rule("water", RULE);
    house
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_setting_is_published_changed_and_kept_over_a_restart() {
    let broker = Mosquitto::start();
    let house = house(&broker).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    let (told, _) = ears.json("setting/tank_w", |v| v["value"] == 1500.0).await;
    assert_eq!((&told["default"], &told["until"], &told["v"]), (&json!(1500.0), &Value::Null, &json!(1)));
    assert!(told["at"].is_string());
    let kept = Ears::kept(broker.port(), "overspill/wren/setting/tank_w").await;
    assert!(kept.contains("\"value\":1500"), "{kept}");

    ears.say("overspill/wren/setting/guests/set", r#"{"value": true, "by": "Ada"}"#);
    ears.word("tank/heater/wanted", "1500").await;
    let (told, _) = ears.json("setting/guests", |v| v["value"] == true).await;
    assert!(told["until"].is_string() && told["by"] == "Ada", "{told}");
    ears.say("overspill/wren/setting/tank_w/set", r#"{"value": 2000}"#);
    ears.word("tank/heater/wanted", "2000").await;
    daemon.stop().await;

    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "2000").await;
    let (told, _) = ears.json("setting/guests", |v| v["value"] == true && v["by"] == "Ada").await;
    assert!(told["until"].is_string(), "{told}");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_setting_can_t_be_is_refused_with_a_notice() {
    let broker = Mosquitto::start();
    let house = house(&broker).await;
    let mut ears = Ears::at(broker.port()).await;
    let set = "overspill/wren/setting/tank_w/set";
    ears.link.publish(set, r#"{"value": 700}"#, overspill::mqtt::Qos::AtLeastOnce, true, None).unwrap();
    ears.word(set, r#"{"value": 700}"#).await;
    let daemon = house.start();
    ears.up().await;
    assert!(ears.notice("setting_refused").await.contains("send it without retain"));
    for (wish, code, why) in [
        (r#"{"value": 5000}"#, "setting_refused", "5000 W is not from 500 to 3000"),
        (r#"{"value": "much"}"#, "setting_refused", "a number from 500 to 3000 W in steps of 100"),
        (r#"{"valu": 700}"#, "unreadable", "did you mean `value`"),
    ] {
        ears.mark();
        ears.say(set, wish);
        let text = ears.notice(code).await;
        assert!(text.contains(why) && text.starts_with("Heater at most"), "{wish}: {text}");
    }
    let kept = Ears::kept(broker.port(), "overspill/wren/setting/tank_w").await;
    assert!(kept.contains("\"value\":1500"), "{kept}");
    daemon.stop().await;
}
