//! Loads, settings and rules over the page of a running daemon.

use std::net::SocketAddr;
use std::time::Duration;

use overspill::daemon::RunOptions;
use overspill_tests::servers::Mosquitto;
use serde_json::{Value, json};
use tokio::sync::oneshot;

use crate::house::{Daemon, Ears, House};
use crate::web::{get, send, send_json};

const SETTING: &str = "\n[setting.warm]\nname = \"Warm water\"\ndefault = 5\nunit = \"kWh\"\nlow = 0\nhigh = 20\nstep = 0.5\n\
                       [setting.ready_by]\nname = \"Ready by\"\ndefault = \"07:00\"\n";

/// The example home with a page at a free port, and its daemon.
async fn served(broker: &Mosquitto) -> (House, Daemon, SocketAddr, Ears) {
    let mut house = House::new(broker.port()).await;
    house.add(&format!("{SETTING}\n[shadow.eager]\nfolder = \"shadow\"\n"));
    house.edit("path = \"wren.db\"", "path = \"wren.db\"\ncommit_every = \"1s\"");
    std::fs::create_dir_all(house.path("shadow")).unwrap();
    let eager = "fn decide(home) { home.load(\"water\").run_at_w(1000, \"always warm\"); }\n";
    std::fs::write(house.path("shadow/water.rhai"), eager).unwrap();
    let mut ears = Ears::at(broker.port()).await;
    let (told, page) = oneshot::channel();
    let options = RunOptions { made_up: true, page: Some(told), ..house.options() };
    let mut config = house.config();
    config.web.listen = Some(SocketAddr::from(([127, 0, 0, 1], 0)));
    let daemon = Daemon::start(config, options);
    let at = page.await.expect("there is no page");
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.json("load/water", |v| v["on"] == false && v["reason"] != "no grid reading yet").await;
    (house, daemon, at, ears)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_override_is_commanded_and_one_beyond_the_ceiling_is_refused_in_words() {
    let broker = Mosquitto::start();
    let (_house, daemon, at, mut ears) = served(&broker).await;
    let wish = |watts: &'static str| [("want", "on"), ("amount", watts), ("lasts", "1h")];
    ears.mark();
    let refused = send(at, "/loads/water", "/loads/water/override", &wish("3500")).await;
    assert_eq!(refused.status, 409);
    assert!(
        refused.body.contains("3500 W is above its ceiling") && refused.body.contains("value=\"3500\""),
        "{}",
        refused.body
    );
    assert!(!ears.said("tank/heater/wanted").iter().any(|word| word != "0"));

    let taken = send(at, "/loads/water", "/loads/water/override", &wish("2000")).await;
    assert_eq!(
        (taken.status, taken.location.as_deref()),
        (303, Some("/loads/water?done=on")),
        "{}",
        taken.body
    );
    ears.word("tank/heater/wanted", "2000").await;
    let now = get(at, "/api/loads/water").await.json();
    assert_eq!((&now["on"], &now["setpoint_w"]), (&json!(true), &json!(2000.0)));
    assert!(now["may_change"].as_str().unwrap().contains("then the rules decide again"), "{now}");
    let page = get(at, "/loads/water").await.body;
    assert!(page.contains("Set to 2000 W: switched on by"), "{page}");

    let back = send_json(at, "/loads/water", "/api/loads/water/override", &json!({ "want": "auto" })).await;
    assert_eq!((back.status, back.json()), (200, json!({ "done": true })));
    ears.word("tank/heater/wanted", "0").await;
    let far = json!({ "want": "on", "for": "25h" });
    let refused = send_json(at, "/loads/water", "/api/loads/water/override", &far).await;
    assert_eq!(refused.status, 400);
    assert!(refused.json()["error"].as_str().unwrap().contains("at most 1 d"), "{refused:?}");
    assert_eq!(get(at, "/loads/wter").await.status, 404);

    // The journal has each with what led to it.
    let by_hand =
        |d: &&Value| d["on"] == true && d["reason"].as_str().is_some_and(|r| r.starts_with("switched on by"));
    let mut on = None;
    for _ in 0..100 {
        let decided = get(at, "/api/loads/water/decisions").await.json();
        on = decided["decisions"].as_array().unwrap().iter().find(by_hand).cloned();
        if on.is_some() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let on = on.expect("the journal does not have it");
    assert_eq!(on["requests"][0]["rule"], "water");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn out_of_service_needs_a_name_and_says_that_it_is_no_isolation() {
    let broker = Mosquitto::start();
    let (_house, daemon, at, mut ears) = served(&broker).await;
    let refused = send(at, "/loads/water", "/loads/water/service", &[("out", "yes"), ("by", " ")]).await;
    assert!(refused.status == 409 && refused.body.contains("A name is needed"), "{refused:?}");
    let out = send(at, "/loads/water", "/loads/water/service", &[("out", "yes"), ("by", "Bo <b>")]).await;
    assert_eq!(out.location.as_deref(), Some("/loads/water?done=out"), "{}", out.body);
    ears.json("load/water", |v| v["out_of_service"] == "Bo <b>").await;
    let page = get(at, "/loads/water").await.body;
    assert!(page.contains("This is no isolation") && page.contains("Put back into service"), "{page}");
    assert!(!page.contains("Bo <b>"), "a name is text");
    let back = send(at, "/loads/water", "/loads/water/service", &[("out", "no"), ("by", "Cy")]).await;
    assert_eq!(back.status, 303);
    ears.json("load/water", |v| v["out_of_service"].is_null()).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_setting_is_changed_and_what_it_can_t_be_is_told_beside_it() {
    let broker = Mosquitto::start();
    let (_house, daemon, at, mut ears) = served(&broker).await;
    let refused = send(at, "/settings", "/settings/warm", &[("value", "30")]).await;
    assert!(refused.status == 409 && refused.body.contains("30 kWh is not from 0 to 20"), "{refused:?}");
    let done = send(at, "/settings", "/settings/warm", &[("value", "7,5"), ("lasts", "12h")]).await;
    assert_eq!(done.location.as_deref(), Some("/settings?done=warm#warm"), "{}", done.body);
    ears.json("setting/warm", |v| v["value"] == 7.5 && v["until"].is_string()).await;
    let page = get(at, "/settings").await.body;
    assert!(page.contains("Warm water: 7.5 kWh") && page.contains("its default is 5 kWh"), "{page}");
    let back = send_json(at, "/settings", "/api/settings/warm", &json!({ "value": null })).await;
    assert_eq!(back.status, 200, "{back:?}");
    assert_eq!(get(at, "/api/settings").await.json()[0]["value"], 5);
    let time = send_json(at, "/settings", "/api/settings/ready_by", &json!({ "value": "6:30" })).await;
    assert!(time.status == 409 && time.body.contains("two digits"), "{time:?}");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_rule_goes_live_from_the_page_and_a_broken_one_does_not() {
    let broker = Mosquitto::start();
    let (house, daemon, at, mut ears) = served(&broker).await;
    let before = std::fs::read_to_string(house.path("rules/water.rhai")).unwrap();
    let mark = get(at, "/rules/water/edit").await.hidden("instead_of");
    let broken = "fn decide(home) {\n    home.load(\"water\").run_at(1);\n}\n";
    let fields = [("text", broken), ("instead_of", mark.as_str()), ("action", "save")];
    let refused = send(at, "/rules/water/edit", "/rules/water/edit", &fields).await;
    assert_eq!(refused.status, 409);
    assert!(refused.body.contains("<li id=\"line-2\" class=\"wrong\">"), "{}", refused.body);
    assert_eq!(std::fs::read_to_string(house.path("rules/water.rhai")).unwrap(), before);

    ears.mark();
    let good = "fn decide(home) {\n    home.load(\"water\").run_at_w(1200, \"always\");\n}\n";
    let sent = good.replace('\n', "\r\n");
    // The home's own rule tests want it otherwise, which has to be overruled.
    let fields = [("text", sent.as_str()), ("instead_of", mark.as_str()), ("action", "save")];
    let refused = send(at, "/rules/water/edit", "/rules/water/edit", &fields).await;
    assert!(refused.status == 409 && refused.body.contains("rule tests fail"), "{refused:?}");
    assert_eq!(std::fs::read_to_string(house.path("rules/water.rhai")).unwrap(), before);
    let [text, instead_of, action] = fields;
    let fields = [text, instead_of, action, ("despite_tests", "yes")];
    let saved = send(at, "/rules/water/edit", "/rules/water/edit", &fields).await;
    assert_eq!(saved.location.as_deref(), Some("/rules/water?said=taken"), "{}", saved.body);
    assert_eq!(std::fs::read_to_string(house.path("rules/water.rhai")).unwrap(), good);
    ears.word("tank/heater/wanted", "1200").await;

    // Whoever still has the former text in the editor is told, and nothing is lost.
    let late = send(at, "/rules/water/edit", "/rules/water/edit", &fields).await;
    assert!(late.status == 409 && late.body.contains("somebody else changed the file"), "{late:?}");

    let versions = get(at, "/api/rules/water/versions").await.json();
    let stamp = versions[0]["stamp"].as_str().unwrap();
    let now = get(at, "/api/rules/water").await.json();
    assert_eq!(now["rule"]["requests"][0]["asks"], "to run at 1200 W");
    let path = format!("/api/rules/water/versions/{stamp}/back");
    let back = json!({ "instead_of": now["mark"], "despite_tests": true });
    let back = send_json(at, "/rules/water/edit", &path, &back).await;
    assert_eq!((back.status, &back.json()["daemon"]), (200, &json!("taken")), "{back:?}");
    assert_eq!(std::fs::read_to_string(house.path("rules/water.rhai")).unwrap(), before);
    ears.word("tank/heater/wanted", "0").await;

    for path in [
        "/rules/..%2f..%2fhome.toml",
        "/rules/%2Fetc%2Fpasswd",
        "/rules/water%00",
        "/rules/lib:..",
        "/api/rules/..%2fhome/versions",
    ] {
        assert_eq!(get(at, path).await.status, 404, "{path}");
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_shadow_is_promoted_and_taken_back_from_the_page() {
    let broker = Mosquitto::start();
    let (house, daemon, at, mut ears) = served(&broker).await;
    let nothing = send(at, "/shadows", "/shadows/undo", &[]).await;
    assert!(nothing.status == 409 && nothing.body.contains("no promotion to undo"), "{nothing:?}");
    let promoted = send(at, "/shadows", "/shadows/eager/promote", &[]).await;
    assert_eq!(promoted.location.as_deref(), Some("/shadows?said=promoted-taken"), "{}", promoted.body);
    ears.word("tank/heater/wanted", "1000").await;
    let same = send(at, "/shadows", "/shadows/eager/promote", &[]).await;
    assert!(same.status == 409 && same.body.contains("read the same as the live ones"), "{same:?}");

    house.write_rule("water", "fn decide(home) { home.load(\"water\").stop(\"edited\"); }\n");
    ears.word("tank/heater/wanted", "0").await;
    let edited = send(at, "/shadows", "/shadows/undo", &[]).await;
    assert!(edited.status == 409 && edited.body.contains("water.rhai was changed"), "{edited:?}");
    let undone = send(at, "/shadows", "/shadows/undo", &[("force", "yes")]).await;
    assert_eq!(undone.location.as_deref(), Some("/shadows?said=undone-taken"), "{}", undone.body);
    assert_eq!(send(at, "/shadows", "/shadows/none/promote", &[]).await.status, 404);
    daemon.stop().await;
}
