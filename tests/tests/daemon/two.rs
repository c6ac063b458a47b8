//! Two instances for one home, and one store for one daemon.

use overspill::daemon::RunOptions;
use overspill_rules::time::Span;
use overspill_tests::servers::Mosquitto;

use crate::house::{Daemon, Ears, House};

fn start(house: &House) -> Daemon {
    let options = RunOptions {
        clock: house.clock,
        made_up: true,
        listen_for: Span(600),
        gone_after: Span(1600),
        ..RunOptions::default()
    };
    Daemon::start(house.config(), options)
}

fn commands(ears: &mut Ears) -> Vec<String> {
    let all = ears.since_mark().iter().filter(|h| h.topic.ends_with("/wanted"));
    all.map(|h| format!("{} {}", h.topic, h.payload)).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn it_commands_nothing_while_it_listens() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let mut daemon = start(&house);
    daemon.until("connected", |f| f.connected).await;
    ears.meters(-1610.0, 2000.0);
    daemon.until("a balance", |f| f.balance.as_ref().is_some_and(|b| b.total.grid_w.is_some())).await;
    assert_eq!(commands(&mut ears), Vec::<String>::new());
    ears.up().await;
    ears.meters(-1610.0, 2000.0);
    ears.word("garage/car/wanted", "7").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_second_watches_and_takes_over_when_the_first_takes_leave_or_dies() {
    let broker = Mosquitto::start();
    let (here, mut there) = (House::new(broker.port()).await, House::new(broker.port()).await);
    // The second would command something else: who commands can be heard.
    there.edit("ceiling_a = 32", "ceiling_a = 6");
    let mut ears = Ears::at(broker.port()).await;
    let first = start(&here);
    ears.up().await;
    ears.until("its sign", |h| h.topic == "overspill/wren/instance").await;
    let mut second = start(&there);
    second.until("connected", |f| f.connected).await;
    ears.meters(-1610.0, 2000.0);
    ears.word("garage/car/wanted", "7").await;
    // Longer than it listens: three signs of the first.
    for _ in 0..3 {
        ears.mark();
        ears.until("a sign", |h| h.topic == "overspill/wren/instance").await;
    }
    ears.mark();
    ears.meters(-1610.0, 2000.0);
    second
        .until("the second sees what the first does not", |f| {
            f.loads.iter().any(|l| {
                l.report.as_ref().is_some_and(|r| r.limited_by.is_some_and(|l| l.word() == "watching"))
            })
        })
        .await;
    assert!(commands(&mut ears).iter().all(|c| c == "garage/car/wanted 7" || c == "tank/heater/wanted 0"));

    // Good-bye: at once.
    ears.mark();
    first.stop().await;
    ears.word("overspill/wren/status", "down").await;
    ears.up().await;
    ears.meters(-1610.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;

    // A third comes and watches; the second dies, and the third takes over.
    let third = start(&here);
    ears.notice("second_instance").await;
    ears.mark();
    second.kill();
    ears.word("overspill/wren/status", "down").await;
    ears.up().await;
    ears.meters(-1610.0, 2000.0);
    ears.word("garage/car/wanted", "7").await;
    third.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_death_of_one_that_watches_changes_nothing() {
    let broker = Mosquitto::start();
    let (here, there) = (House::new(broker.port()).await, House::new(broker.port()).await);
    let mut ears = Ears::at(broker.port()).await;
    let first = start(&here);
    ears.up().await;
    ears.until("its sign", |h| h.topic == "overspill/wren/instance").await;
    let mut second = start(&there);
    second.until("connected", |f| f.connected).await;
    ears.mark();
    second.kill();
    ears.word("overspill/wren/status", "down").await;
    ears.up().await;
    assert_eq!(Ears::kept(broker.port(), "overspill/wren/status").await, "up");
    first.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_daemon_on_one_store_is_refused() {
    let broker = Mosquitto::start();
    let house = House::new(broker.port()).await;
    let mut ears = Ears::at(broker.port()).await;
    let first = start(&house);
    ears.up().await;
    let why = start(&house).failure().await;
    assert!(why.contains("wren.db") && why.contains("in use"), "{why}");
    first.stop().await;
}
