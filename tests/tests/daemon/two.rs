//! Two instances for one home, and one store for one daemon.

use overspill::daemon::{Facts, RunOptions};
use overspill_rules::output::Limit;
use overspill_rules::time::Span;
use overspill_tests::servers::Mosquitto;

use crate::house::{Daemon, Ears, House};

fn start(house: &House) -> Daemon {
    let options =
        RunOptions { made_up: true, listen_for: Span(600), gone_after: Span(1600), ..house.options() };
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
    ears.meters(-1400.0, 2000.0);
    daemon.until("a balance", |f| f.balance.as_ref().is_some_and(|b| b.total.grid_w.is_some())).await;
    assert_eq!(commands(&mut ears), Vec::<String>::new());
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_second_watches_and_takes_over_when_the_first_takes_leave_or_dies() {
    let broker = Mosquitto::start();
    let (here, there) = (House::new(broker.port()).await, House::new(broker.port()).await);
    // They would command different things, so that who commands can be heard.
    here.write_rule("water", "fn decide(home) { home.load(\"water\").run_at_w(1000, \"here\"); }");
    there.write_rule("water", "fn decide(home) { home.load(\"water\").run_at_w(2000, \"there\"); }");
    let mut ears = Ears::at(broker.port()).await;
    let first = start(&here);
    ears.up().await;
    ears.until("its sign", |h| h.topic == "overspill/wren/instance").await;
    let mut second = start(&there);
    second.until("connected", |f| f.connected).await;
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "1000").await;
    // Longer than the second listens.
    for _ in 0..3 {
        ears.mark();
        ears.until("a sign", |h| h.topic == "overspill/wren/instance").await;
    }
    ears.meters(501.0, 0.0);
    let watches = |f: &Facts| {
        f.balance.as_ref().is_some_and(|b| b.total.grid_w == Some(501.0))
            && f.loads
                .iter()
                .all(|l| l.report.as_ref().is_some_and(|r| r.limited_by == Some(Limit::Watching)))
    };
    second.until("the second hears everything and watches", watches).await;
    assert!(!ears.all("tank/heater/wanted").contains(&"2000".to_owned()));

    // After a good-bye at once.
    ears.mark();
    first.stop().await;
    ears.word("overspill/wren/status", "down").await;
    ears.up().await;
    ears.word("tank/heater/wanted", "2000").await;

    // A third comes and watches. The second dies, and the third takes over.
    let mut third = start(&here);
    ears.notice("second_instance").await;
    third.until("connected", |f| f.connected).await;
    ears.mark();
    second.kill();
    ears.word("overspill/wren/status", "down").await;
    ears.meters(500.0, 0.0);
    ears.up().await;
    ears.word("tank/heater/wanted", "1000").await;
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
    assert!(why.contains("wren.db") && why.contains("another overspill is using this store"), "{why}");
    first.stop().await;
}
