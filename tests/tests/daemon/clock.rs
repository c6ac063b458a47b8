//! A wall clock that can't be believed.

use overspill::daemon::HomeClock;
use overspill_rules::time::WallTime;
use overspill_tests::servers::Mosquitto;

use crate::house::{Daemon, Ears, House};

/// 2001-09-09, before any build of this program.
const PAST: WallTime = WallTime(1_000_000_000_000);

/// 2100-01-01.
const FUTURE: WallTime = WallTime(4_102_444_800_000);

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_in_the_past_is_told_once_with_its_reason_and_nothing_starts() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    house.clock = HomeClock::made_up(PAST, 60.0);
    house.edit("stale_after = \"30s\"", "stale_after = \"2m\"");
    house.write_rule("car", "fn decide(home) { home.load(\"car\").take_spare(\"whatever the time\"); }");
    let mut ears = Ears::at(broker.port()).await;
    let daemon = Daemon::start(house.config(), house.options());
    ears.up().await;
    let told = ears.notice("clock_not_believed").await;
    assert!(told.contains("2001-09-09") && told.contains("before this program was built"), "{told}");
    assert!(told.contains("Set the computer's clock"), "{told}");
    ears.meters(-5000.0, 5500.0);
    ears.json("load/car", |v| v["limited_by"] == "clock").await;
    // Seven minutes later, when the clock was looked at again.
    ears.json("balance", |v| v["at"].as_str().is_some_and(|at| at >= "2001-09-09T01:53")).await;
    let notices = ears.said("overspill/wren/notice");
    assert_eq!(notices.iter().filter(|n| n.contains("clock_not_believed")).count(), 1);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_record_from_the_future_is_named_as_the_reason() {
    let broker = Mosquitto::start();
    let mut house = House::new(broker.port()).await;
    house.clock = HomeClock::made_up(FUTURE, 1.0);
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    daemon.stop().await;

    ears.mark();
    house.clock = HomeClock::real();
    let daemon = Daemon::start(house.config(), house.options());
    ears.up().await;
    let told = ears.notice("clock_not_believed").await;
    assert!(told.contains("2100-01-01T00:00:00") && told.contains("move the record"), "{told}");
    daemon.stop().await;

    // Mended as it says.
    std::fs::rename(house.path("wren.db"), house.path("old.db")).unwrap();
    ears.mark();
    let daemon = Daemon::start(house.config(), house.options());
    ears.up().await;
    assert!(!ears.said("overspill/wren/notice").iter().any(|n| n.contains("move the record")));
    daemon.stop().await;
}
