//! A commissioning through its page: a real mosquitto, the simulated home with its grid clamp the wrong way round, and
//! phones that speak HTTP.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[allow(dead_code)]
mod home;
mod phone;
#[allow(dead_code)]
#[path = "../commission_live/plant.rs"]
mod plant;

use std::time::Duration;

use home::Home;
use overspill::commission::record::{self, Standing};
use phone::{Answer, Phone};
use serde_json::Value;

const SPEED: f64 = 60.0;

/// Steps that are done; the others are left open.
const DONE: [&str; 6] = ["cautions", "watch", "test-load", "roof", "point.grid", "point.solar"];

impl Home {
    async fn phone(&self) -> Phone {
        Phone::new(&self.host().await)
    }

    /// Goes on, until `stop` says so of a question, or all is over.
    async fn go_on(&self, phone: &Phone, stop: impl Fn(&str) -> bool) -> Value {
        loop {
            let sitting = phone.sitting().await;
            match sitting["stage"].as_str().unwrap() {
                "rests" => return sitting,
                "asks" => {}
                _ => {
                    tokio::time::sleep(Duration::from_millis(5)).await;
                    continue;
                }
            }
            let key = sitting["question"]["key"].as_str().unwrap().to_owned();
            if stop(&key) {
                return sitting;
            }
            let step = sitting["step"]["id"].as_str().unwrap();
            let page = phone.page("/").await;
            if !DONE.contains(&step) {
                let answer = phone.post("/leave", &page, &[("step", step), ("words", "skip")]).await;
                assert!([303, 409].contains(&answer.status), "{}", answer.body);
                continue;
            }
            assert!(!page.body.contains("Enter at"), "words of the keys: {}", page.body);
            let answer = phone.answer(&page, self.hands(&key)).await;
            assert_eq!(answer.status, 303, "{key}: {}", answer.body);
        }
    }
}

fn verdict<'a>(sitting: &'a Value, id: &str) -> (&'a str, &'a str) {
    let step = sitting["steps"].as_array().unwrap().iter().find(|s| s["id"] == id).unwrap();
    (step["verdict"].as_str().unwrap(), step["words"].as_str().unwrap())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_reversed_clamp_is_found_and_mended_through_the_page() {
    let home = Home::new("127.0.0.1:0", SPEED).await;
    let phone = home.phone().await;

    // What does not fit is told beside its field, and nothing is lost by looking again.
    home.go_on(&phone, |key| key == "test-load.rated-w").await;
    let page = phone.page("/").await;
    let wrong = phone.answer(&page, "lots").await;
    assert_eq!(wrong.status, 400);
    assert!(
        wrong.body.contains("Write a number from 500 to 4000 W") && wrong.body.contains("value=\"lots\"")
    );
    assert!(wrong.body.contains("aria-invalid"), "{}", wrong.body);
    let again = phone.page("/").await;
    assert_eq!((again.turn(), again.question()), (page.turn(), page.question()));

    // Two phones see the same; the first answer counts, the second is told.
    let other = home.phone().await;
    let theirs = other.page("/").await;
    assert_eq!(theirs.turn(), page.turn());
    assert_eq!(phone.answer(&page, "2400").await.status, 303);
    let late = other.answer(&theirs, "1000").await;
    assert_eq!(late.status, 409);
    assert!(late.body.contains("the first answer counts"), "{}", late.body);
    assert_eq!(
        phone.answer(&page, "2400").await.status,
        303,
        "the same once more, as after a lost connection"
    );
    assert!(late.body.contains("At how many volts?"), "it shows what is asked now");

    // The words of the sitting are there while it waits, and values with their age.
    let sitting = home.go_on(&phone, |key| key == "test-load.on").await;
    let grid = sitting["points"].as_array().unwrap().iter().find(|p| p["id"] == "grid").unwrap();
    assert!(grid["watts"].is_number() && grid["age_s"].as_f64().unwrap() < 30.0, "{grid}");

    let rests = home.go_on(&phone, |_| false).await;
    assert_eq!(verdict(&rests, "point.grid").0, "wrong", "{rests:#}");
    assert!(verdict(&rests, "point.grid").1.contains("the wrong way round"));
    assert_eq!(verdict(&rests, "point.solar").0, "good", "{rests:#}");
    assert_eq!(verdict(&rests, "fuse").0, "not proven yet");

    // The proposal, applied; what was proved of the points lapses.
    let proposed = phone.page("/correction").await;
    assert!(proposed.body.contains("+positive = &#34;export&#34;"), "{}", proposed.body);
    let applied = phone.post("/apply", &proposed, &[]).await;
    assert_eq!(applied.status, 303, "{}", applied.body);
    let text = std::fs::read_to_string(&home.home).unwrap();
    assert!(text.contains("positive = \"export\"") && text.contains("# The simulated home of the test."));

    let rests = home.go_on(&phone, |_| false).await;
    assert_eq!(verdict(&rests, "point.grid").0, "good", "{rests:#}");
    assert_eq!(verdict(&rests, "point.solar").0, "good");
    assert_eq!(rests["corrects"], false);

    // The sheet, and the end.
    let page = phone.page("/").await;
    assert!(page.body.contains("Not everything is proved yet"));
    assert_eq!(phone.post("/issue", &page, &[]).await.status, 303);
    let sheet = phone.page("/sheet").await;
    assert!(
        sheet.body.contains("Linnet House") && sheet.header("content-security-policy").contains("'sha256-")
    );
    home.end.send(()).unwrap();
    home.attended.await.unwrap();
    let record = record::read(&home.home.with_file_name("home.commission.json")).unwrap().unwrap();
    assert_eq!(record.test("point.grid").unwrap().verdict, Standing::Good);
    assert_eq!(record.corrections.len(), 1);
    assert_eq!(record.who.unwrap().name, "R. Fitter");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_step_is_paused_repeated_and_taken_up_again_as_the_page_says() {
    let home = Home::new("127.0.0.1:0", SPEED).await;
    let phone = home.phone().await;
    home.go_on(&phone, |key| key == "sources.supply").await;
    let page = phone.page("/").await;
    let answer: Answer = phone.answer(&page, "main switch").await;
    assert_eq!(answer.status, 303);
    let page = phone.page("/").await;
    assert_eq!(phone.post("/leave", &page, &[("step", "sources"), ("words", "repeat")]).await.status, 303);
    assert_eq!(phone.sitting().await["question"]["key"], "sources.supply", "from its beginning");
    let page = phone.page("/").await;
    let other = phone.post("/leave", &page, &[("step", "watch"), ("words", "skip")]).await;
    assert_eq!(other.status, 409, "that step is not at work");
    assert_eq!(phone.post("/leave", &page, &[("step", "sources"), ("words", "stop")]).await.status, 303);
    let rests = phone.sitting().await;
    assert_eq!(rests["stage"], "rests");
    assert_eq!(verdict(&rests, "cautions").0, "good");
    let page = phone.page("/").await;
    assert!(page.body.contains("Go on: Sources of energy"), "{}", page.body);
    let unknown = phone.post("/turn", &page, &[("step", "../x")]).await;
    assert_eq!(unknown.status, 404);
    assert_eq!(phone.post("/turn", &page, &[("step", "fuse")]).await.status, 303);
    assert_eq!(phone.sitting().await["question"]["key"], "fuse.rating");
    home.end.send(()).unwrap();
    home.attended.await.unwrap();
    let record = record::read(&home.home.with_file_name("home.commission.json")).unwrap().unwrap();
    assert_eq!(record.test("cautions").unwrap().verdict, Standing::Good);
}
