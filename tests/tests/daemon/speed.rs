//! How fast: a reading changes the published balance, and the command follows the rule.

use std::time::{Duration, Instant};

use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House, QUIET};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reading_changes_the_balance_within_100_ms() {
    let _quiet = QUIET.write().await;
    let broker = Mosquitto::start();
    let house = House::while_quiet(broker.port());
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;

    let mut took = Vec::new();
    for i in 0..20 {
        let grid_w = -200.0 - 10.0 * f64::from(i);
        ears.mark();
        let begin = Instant::now();
        ears.meters(grid_w, 500.0);
        let (_, heard) = ears.json("balance", |v| v["grid_w"] == grid_w).await;
        took.push(heard.at - begin);
    }
    took.sort();
    let (median, worst) = (took[took.len() / 2], took[took.len() - 1]);
    println!("from publishing a reading to hearing the balance: median {median:?}, worst {worst:?} of 20");
    assert!(median < Duration::from_millis(100), "median {median:?}");
    assert!(worst < Duration::from_millis(300), "worst {worst:?}");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_command_follows_the_rules() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.word("tank/heater/wanted", "0").await;

    // 1,400 W spare are 6 A for the car; what it leaves over heats the water.
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    ears.word("tank/heater/wanted", "20").await;
    let (car, _) = ears.json("load/car", |v| v["on"] == true).await;
    assert_eq!((&car["rule"], &car["reason"]), (&"car".into(), &"spare solar".into()));
    assert_eq!((&car["setpoint_a"], &car["setpoint_w"]), (&6.0.into(), &1380.0.into()));

    // A cloud: below 6 A there is no charging.
    ears.mark();
    ears.meters(2000.0, 0.0);
    ears.word("garage/car/wanted", "0").await;
    let (car, _) = ears.json("load/car", |v| v["on"] == false).await;
    assert_eq!(car["limited_by"], "spare");
    daemon.stop().await;
}
