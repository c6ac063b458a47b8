//! The broker goes and comes back.

use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_restarted_broker_costs_nothing_but_the_outage() {
    let mut broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;

    broker.kill();
    ears.mark();
    broker.start_again();
    ears.subscribed().await;
    // The broker forgot everything; all of it comes back by itself, the command at once and not at its next refresh.
    ears.up().await;
    ears.word("garage/car/wanted", "6").await;
    ears.word("tank/heater/wanted", "20").await;
    ears.json("balance", |v| v["grid_w"] == -1400.0).await;
    ears.json("load/car", |v| v["setpoint_a"] == 6.0).await;
    ears.json("load/water", |v| v["setpoint_w"] == 20.0).await;
    ears.json("rule/car", |v| v["state"] == "ok").await;
    let told = ears.notice("broker_away").await;
    assert!(told.contains("127.0.0.1"), "{told}");
    assert_eq!(Ears::kept(broker.port(), "overspill/wren/status").await, "up");
    assert!(Ears::kept(broker.port(), "overspill/wren/load/car").await.contains("\"setpoint_a\":6.0"));

    // It hears again.
    ears.mark();
    ears.meters(-230.0, 2000.0);
    ears.json("balance", |v| v["grid_w"] == -230.0).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_command_of_before_an_outage_comes_after_it() {
    let mut broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    // Readings go stale within the outage; commands are due again and again in it.
    house.edit("interval = \"10s\"\nstale_after = \"30s\"", "interval = \"1s\"\nstale_after = \"3s\"");
    house.edit("refresh = \"30s\"", "refresh = \"1s\"");
    house.edit("ceiling_w = 3000", "ceiling_w = 3000\nrefresh = \"1s\"");
    let mut ears = Ears::at(broker.port()).await;
    let mut daemon = house.start();
    ears.up().await;
    ears.meters(-5000.0, 5500.0);
    ears.until("a running heater", |h| h.topic == "tank/heater/wanted" && h.payload != "0").await;
    let before: Vec<String> = ears.said("garage/car/wanted").into_iter().filter(|a| a != "0").collect();
    assert!(!before.is_empty(), "the car charges");

    ears.no_meters();
    broker.kill();
    ears.mark();
    let stale =
        |l: &overspill::daemon::LoadFacts| l.report.as_ref().is_some_and(|r| !r.on && r.setpoint_w == 0.0);
    daemon.until("the heater at its fallback", |f| f.loads.iter().any(|l| l.id == "water" && stale(l))).await;
    broker.start_again();
    ears.subscribed().await;
    ears.up().await;
    ears.word("tank/heater/wanted", "0").await;
    // The sun is gone meanwhile.
    ears.meters(3000.0, 0.0);
    ears.word("garage/car/wanted", "0").await;
    ears.json("load/car", |v| v["on"] == false).await;
    let (heater, car) = (ears.said("tank/heater/wanted"), ears.said("garage/car/wanted"));
    assert!(heater.iter().chain(&car).all(|w| w == "0"), "{heater:?} {car:?}");
    daemon.stop().await;
}
