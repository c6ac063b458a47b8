//! The demo, whole: real broker, real daemon, simulated home, measured by the home's own meter.
#![allow(missing_docs, clippy::unwrap_used)]

use std::time::Duration;

use overspill::demo::{DemoOptions, Show, run};

#[tokio::test(flavor = "multi_thread")]
async fn twenty_minutes_of_a_simulated_home_charge_the_car_from_spare_solar() {
    let options =
        DemoOptions { speed: 60, lasts: Some(Duration::from_secs(20)), show: Show::Nothing, listen: None };
    let ledger = run(options).await.unwrap().ledger;
    assert!(ledger.caught_kwh > 0.0 && ledger.car_kwh > 0.0, "{ledger:?}");
    // Most of what the car got was spare, not bought.
    assert!(ledger.bought_for_loads_kwh < 0.2 * ledger.caught_kwh, "{ledger:?}");
    assert!(ledger.caught_kwh > 0.5 * ledger.spare_kwh, "{ledger:?}");
}
