//! A home without a broker of its own.

use overspill::mqtt::{FaultKind, LinkEvent};
use overspill_tests::client;
use overspill_tests::servers::{free_port, mosquitto_pub, mosquitto_sub};

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn devices_live_on_the_broker_inside() {
    let port = free_port();
    let mut house = House::new(port).await;
    house.edit("url = \"mqtt://", "embedded = \"");
    let daemon = house.start();
    let mut ears = Ears::at(port).await;
    ears.up().await;
    // A device with another client library, in the older version of the protocol.
    mosquitto_pub(port, &["-V", "311", "-q", "1", "-t", "house/solar", "-m", "2000"]);
    mosquitto_pub(
        port,
        &["-V", "311", "-q", "1", "-t", "house/grid", "-m", r#"{"power": -1400, "volts": 230}"#],
    );
    ears.word("garage/car/wanted", "6").await;
    ears.json("load/car", |v| v["setpoint_a"] == 6.0).await;
    let kept = mosquitto_sub(port, &["-t", "overspill/wren/status", "-C", "1", "-W", "5", "-F", "%r %p"]);
    assert_eq!(kept, ["1 up"]);
    ears.mark();
    daemon.stop().await;
    ears.word("overspill/wren/status", "down").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_users_only_they_and_the_daemon_get_in() {
    let port = free_port();
    let mut house = House::new(port).await;
    house.edit("url = \"mqtt://", "embedded = \"");
    let users = "[mqtt.users.meter]\npassword_file = \"meter.password\"\n\n[store]";
    house.edit("[store]", users);
    std::fs::write(house.path("meter.password"), "watts\n").unwrap();
    let daemon = house.start();

    let mut stranger = client::Client::start(client::config(port, "stranger"));
    // The broker may not listen yet at the first attempt.
    let login = |event| match event {
        LinkEvent::Down { why, .. } if why.kind == FaultKind::Login => Some(()),
        _ => None,
    };
    stranger.until("refusal", login).await;

    let mut config = client::config(port, "meter");
    config.user = Some("meter".to_owned());
    config.password = Some(overspill::config::Secret::new("watts".to_owned()).into());
    let mut ears = Ears::with(config).await;
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    daemon.stop().await;
}
