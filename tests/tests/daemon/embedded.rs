//! A home without a broker of its own.

use overspill_tests::client;
use overspill_tests::servers::{mosquitto_pub, mosquitto_sub};

use crate::house::{Daemon, Ears, House};

async fn port_of(daemon: &mut Daemon) -> u16 {
    daemon.until("the broker inside listens", |f| f.broker.is_some()).await;
    daemon.facts.borrow().broker.unwrap().port()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn devices_live_on_the_broker_inside() {
    let mut house = House::new(1883).await;
    house.edit("url = \"mqtt://127.0.0.1:1883\"", "embedded = \"127.0.0.1:0\"");
    let mut daemon = house.start();
    let port = port_of(&mut daemon).await;
    let mut ears = Ears::at(port).await;
    ears.up().await;
    // A device with another client library, in the older version of the protocol.
    mosquitto_pub(port, &["-V", "311", "-q", "1", "-t", "house/solar", "-m", "2000"]);
    mosquitto_pub(
        port,
        &["-V", "311", "-q", "1", "-t", "house/grid", "-m", r#"{"power": -1610, "volts": 230}"#],
    );
    ears.word("garage/car/wanted", "7").await;
    ears.json("load/car", |v| v["setpoint_a"] == 7.0).await;
    let kept = mosquitto_sub(port, &["-t", "overspill/wren/#", "-C", "4", "-W", "5", "-F", "%t %p"]);
    assert!(kept.contains(&"overspill/wren/status up".to_owned()), "{kept:?}");
    ears.mark();
    daemon.stop().await;
    ears.word("overspill/wren/status", "down").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_users_only_they_and_the_daemon_get_in() {
    let mut house = House::new(1883).await;
    let users = "embedded = \"127.0.0.1:0\"\n\n[mqtt.users.meter]\npassword_file = \"meter.password\"";
    house.edit("url = \"mqtt://127.0.0.1:1883\"", users);
    std::fs::write(house.path("meter.password"), "watts\n").unwrap();
    let mut daemon = house.start();
    let port = port_of(&mut daemon).await;

    let mut stranger = client::Client::start(client::config(port, "stranger"));
    let (kind, words, _) = stranger.down().await;
    assert_eq!(kind, overspill::mqtt::FaultKind::Login, "{words}");

    let mut config = client::config(port, "meter");
    config.user = Some("meter".to_owned());
    config.password = Some(overspill::config::Secret::new("watts".to_owned()).into());
    let mut ears = Ears::with(config).await;
    ears.up().await;
    ears.meters(-1610.0, 2000.0);
    ears.word("garage/car/wanted", "7").await;
    daemon.stop().await;
}
