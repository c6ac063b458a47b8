//! Everything goes to the database of the home file as well, and an outage of it slows nothing.

use std::time::{Duration, Instant};

use overspill_tests::servers::Mosquitto;
use overspill_tests::writes::{Reply, Writes};

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_decisions_and_the_lag_are_told() {
    let broker = Mosquitto::start();
    let server = Writes::start([Reply::Status(500, "", "not yet")]);
    let mut house = House::new(broker.port()).await;
    std::fs::write(house.path("influxdb.token"), "s3cret\n").unwrap();
    forward_to(&mut house, server.port());
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    let (told, heard) = ears.json("influxdb", |v| v["until"].is_string()).await;
    assert!(told["lag_s"].is_number() && told["set_aside"] == 0, "{told}");
    assert!(!heard.payload.contains("s3cret"));
    let wanted = [
        "grid,home=wren,point=grid power_w=-1400 ",
        "solar,home=wren,point=solar power_w=2000 ",
        "load,home=wren,load=car setpoint_w=1380 ",
        "load,home=wren,load=car on=1 ",
        "grid_w=-1400,solar_w=2000,",
    ];
    let holds = |text: &str| server.held().lines.iter().any(|line| line.contains(text));
    tokio::task::block_in_place(|| {
        for text in wanted {
            server.until(text, |held| held.lines.iter().any(|line| line.contains(text)));
        }
    });
    assert_eq!(server.held().requests[0].authorization.as_deref(), Some("Token s3cret"));
    ears.meters(-150.0, 2000.0);
    ears.json("balance", |v| v["grid_w"] == -150.0).await;
    daemon.stop().await;

    // The last moments follow after the next start.
    let daemon = house.start();
    ears.mark();
    ears.up().await;
    ears.meters(-160.0, 2000.0);
    tokio::task::block_in_place(|| {
        server.until("what was left", |held| held.lines.iter().any(|line| line.contains("power_w=-150 ")));
    });
    assert!(holds("power_w=-1400 "));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hung_database_holds_up_neither_control_nor_the_end() {
    let broker = Mosquitto::start();
    let server = Writes::start(vec![Reply::Slow(Duration::from_secs(60)); 10]);
    let mut house = House::new(broker.port()).await;
    std::fs::write(house.path("influxdb.token"), "s3cret\n").unwrap();
    forward_to(&mut house, server.port());
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(-1400.0, 2000.0);
    ears.word("garage/car/wanted", "6").await;
    tokio::task::block_in_place(|| server.until("a request", |held| !held.requests.is_empty()));
    let asked = Instant::now();
    ears.mark();
    ears.say("overspill/wren/load/water/override", r#"{"want": "on", "watts": 700}"#);
    ears.word("tank/heater/wanted", "700").await;
    assert!(asked.elapsed() < Duration::from_secs(2), "{:?}", asked.elapsed());
    let ending = Instant::now();
    daemon.stop().await;
    assert!(ending.elapsed() < Duration::from_secs(5), "{:?}", ending.elapsed());
}

fn forward_to(house: &mut House, port: u16) {
    let section = format!(
        "[influxdb]\nurl = \"http://127.0.0.1:{port}\"\norg = \"home\"\nbucket = \"power\"\n\
         token_file = \"influxdb.token\"\nevery = \"1s\"\n\n[rules]"
    );
    house.edit("[rules]", &section);
}
