//! What is known again after a restart.

use overspill::daemon::HomeClock;
use overspill::store::{Options, Store, StoreReader};
use overspill_rules::time::Span;
use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House, NOON};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn overrides_service_and_used_ids_are_known_again() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.say(
        "overspill/wren/load/water/override",
        r#"{"want": "on", "watts": 1500, "by": "Ada", "id": "one"}"#,
    );
    ears.word("tank/heater/wanted", "1500").await;
    ears.say("overspill/wren/load/car/service", r#"{"out": true, "by": "Bo"}"#);
    let (before, _) = ears.json("load/water", |v| v["override_until"].is_string()).await;
    ears.json("load/car", |v| v["out_of_service"] == "Bo").await;
    daemon.stop().await;

    ears.mark();
    house.clock = HomeClock::made_up(NOON + Span::minutes(5), 1.0);
    let daemon = house.start();
    ears.up().await;
    ears.meters(-5000.0, 5500.0);
    ears.word("tank/heater/wanted", "1500").await;
    let (after, _) = ears.json("load/water", |v| v["override_until"].is_string()).await;
    assert_eq!(after["override_until"], before["override_until"]);
    let (car, _) = ears.json("load/car", |v| v["out_of_service"] == "Bo").await;
    assert_eq!(car["on"], false);
    ears.say("overspill/wren/load/water/override", r#"{"want": "off", "id": "one"}"#);
    assert!(ears.notice("override_refused").await.contains("was used before"));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_override_survives_an_abrupt_end() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.say("overspill/wren/load/water/override", r#"{"want": "on", "watts": 1500}"#);
    ears.word("tank/heater/wanted", "1500").await;
    daemon.kill();
    ears.word("overspill/wren/status", "down").await;
    house.store_is_free().await;

    ears.mark();
    house.clock = HomeClock::made_up(NOON + Span::minutes(5), 1.0);
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "1500").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_learnt_of_a_load_is_kept_and_everything_is_recorded() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    let meter = "[point.water]\nmeasures = \"load.water\"\ntopic = \"tank/power\"\nunit = \"W\"\npositive = \"use\"\n\
                 interval = \"10s\"\nstale_after = \"30s\"\n\n[input.tank_c]";
    house.edit("[input.tank_c]", meter);
    house.clock = HomeClock::made_up(NOON, 20.0);
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.say("tank/power", "0");
    ears.meters(500.0, 0.0);
    ears.say("overspill/wren/load/water/override", r#"{"want": "on", "watts": 1000}"#);
    ears.word("tank/heater/wanted", "1000").await;
    // Its own meter shows 1.2 W for each watt commanded.
    let mut interval = tokio::time::interval(std::time::Duration::from_millis(100));
    for i in 0..30 {
        interval.tick().await;
        ears.mark();
        let grid_w = 1700.0 + f64::from(i);
        ears.say("tank/power", "1200");
        ears.meters(grid_w, 0.0);
        ears.json("balance", |v| v["grid_w"] == grid_w).await;
    }
    daemon.stop().await;
    let ratio = kept_ratio(&house).expect("it was learnt");
    assert!((ratio - 1.2).abs() < 0.02, "{ratio}");

    let reader = StoreReader::open_read_only(&house.path("wren.db")).unwrap();
    let (from, to) = (NOON, NOON + Span::hours(4));
    let samples = reader.samples("point.grid", from, to).unwrap();
    assert_eq!(samples.first().and_then(|s| s.value), Some(500.0));
    assert!(reader.setpoints("water", from, to).unwrap().iter().any(|s| s.watts == 1000.0));
    assert!(!reader.decisions("water", from, to).unwrap().is_empty());
    assert!(reader.balance(from, to).unwrap().iter().any(|b| b.values.grid_w == Some(1700.0)));
}

/// What the store of a stopped daemon knows of the heater.
fn kept_ratio(house: &House) -> Option<f64> {
    let (path, home) = (house.path("wren.db"), house.config().home);
    let (store, restored) = Store::open(&path, &home, Options::default()).unwrap();
    assert!(store.close(std::time::Duration::from_secs(5)));
    restored.kept.ratios.get("water").copied()
}
