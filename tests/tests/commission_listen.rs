//! Listening at a real broker: what is live is heard, what is only stored is not taken for live.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::time::Duration;

use overspill::commission::listen::{ListenError, draft, link_to, listen, text};
use overspill::mqtt::Qos;
use overspill_tests::client::{Client, config};
use overspill_tests::servers::{Mosquitto, free_port};

#[tokio::test]
async fn live_topics_of_a_real_broker_are_drafted_and_stored_ones_are_not() {
    let server = Mosquitto::start();
    let client = Client::ready(config(server.port(), "a-meter")).await;
    client.link.publish("old/grid/power", "999", Qos::AtLeastOnce, true, None).unwrap();
    let feed = async {
        for n in 0..100_u32 {
            let grid = format!("{{\"power\": {}}}", if n % 2 == 0 { 700 } else { -400 });
            client.link.publish("house/grid", grid, Qos::AtMostOnce, false, None).unwrap();
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    let to = link_to(&format!("mqtt://127.0.0.1:{}", server.port())).unwrap();
    let listening = listen(to, Duration::from_secs(2), &[], |_, _| {});
    let heard = tokio::select! {
        heard = listening => heard.unwrap(),
        () = feed => panic!("it listened longer than told"),
    };
    let told = text(&heard, 80);
    assert!(told.contains("house/grid  /power\n") && told.contains("-400 to 700"), "{told}");
    assert!(told.contains("nothing live (1):\n  old/grid/power"), "{told}");
    let draft = draft(&heard, "mqtt://127.0.0.1");
    assert!(draft.contains("topic = \"house/grid\"") && !draft.contains("old/grid"), "{draft}");
}

#[tokio::test]
async fn a_broker_that_is_not_there_is_told() {
    let to = link_to(&format!("mqtt://127.0.0.1:{}", free_port())).unwrap();
    let why = listen(to, Duration::from_millis(100), &[], |_, _| {}).await.unwrap_err();
    assert!(matches!(why, ListenError::NotReached(_)), "{why}");
}
