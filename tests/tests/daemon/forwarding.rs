//! Everything goes to the database of the home file as well, and an outage of it slows nothing.

use overspill_tests::servers::Mosquitto;
use overspill_tests::writes::{Reply, Writes};

use crate::house::{Ears, House};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_decisions_and_the_lag_are_told() {
    let broker = Mosquitto::start();
    let server = Writes::start([Reply::Status(500, "", "not yet")]);
    let mut house = House::new(broker.port()).await;
    std::fs::write(house.path("influxdb.token"), "s3cret\n").unwrap();
    let section = format!(
        "[influxdb]\nurl = \"http://127.0.0.1:{}\"\norg = \"home\"\nbucket = \"power\"\ntoken_file = \"influxdb.token\"\n\
         every = \"1s\"\n\n[rules]",
        server.port()
    );
    house.edit("[rules]", &section);
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
