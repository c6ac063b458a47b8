//! Prices that the supplier publishes, by a topic and by a file: each reaches a rule, which then acts.

use overspill::mqtt::Qos;
use overspill_rules::time::Span;
use overspill_tests::servers::Mosquitto;

use crate::house::{Ears, House, NOON};

const RULE: &str = r#"
fn decide(home) {
    let water = home.load("water");
    if home.price.import_now < 0.10 && home.price.export_now < 0.06 { water.run_at_w(1500, "cheap"); }
    else if home.price.import_now < 0.10 { water.run_at_w(700, "cheap, and export pays"); }
    else { water.run_at_w(500, "dear"); }
}
"#;

/// A home whose prices come as `import` and `export` say.
async fn house(broker: &Mosquitto, import: &str, export: &str) -> House {
    let mut house = House::new(broker.port()).await;
    house.add(&format!(
        "\n[tariff]\ncurrency = \"GBP\"\nimport_prices = {{ {import} }}\nexport_prices = {{ {export} }}\n"
    ));
    house.write_rule("water", RULE);
    house
}

/// The time of the home, so many hours from its noon.
fn hour(from_noon: i64) -> String {
    (NOON + Span::hours(from_noon)).to_rfc3339()
}

/// A message with one price for the hours round noon.
fn list(price: &str) -> String {
    format!(r#"[{{"from": "{}", "price": {price}}}, {{"from": "{}", "price": 0.5}}]"#, hour(-1), hour(3))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_list_on_a_topic_reaches_the_rule() {
    let broker = Mosquitto::start();
    let house = house(&broker, "topic = \"market/import\"", "topic = \"market/export\"").await;
    let mut ears = Ears::at(broker.port()).await;
    // As suppliers' bridges do: the export list is retained from before the daemon starts.
    ears.link.publish("market/export", list("0.15"), Qos::AtLeastOnce, true, None).unwrap();
    ears.word("market/export", &list("0.15")).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    let (waits, _) = ears.json("rule/water", |v| v["state"] == "waiting").await;
    assert!(waits["message"].as_str().is_some_and(|m| m.contains("costs now is not known")), "{waits}");
    assert!(ears.said("tank/heater/wanted").iter().all(|w| w == "0"), "nothing is guessed");

    ears.say("market/import", &list("0.30"));
    ears.word("tank/heater/wanted", "500").await;
    // A later list overrules the earlier one; a price may be text.
    ears.say("market/import", &list("\"0.05\""));
    ears.word("tank/heater/wanted", "700").await;
    ears.say("market/export", &list("-0.01"));
    ears.word("tank/heater/wanted", "1500").await;
    let (load, _) = ears.json("load/water", |v| v["setpoint_w"] == 1500.0).await;
    assert_eq!((&load["rule"], &load["reason"]), (&"water".into(), &"cheap".into()));

    ears.mark();
    ears.say("market/import", r#"[{"from": "noon", "price": 0.3}]"#);
    let told = ears.notice("unreadable").await;
    assert!(told.contains("price 1 of the list"), "{told}");
    ears.meters(501.0, 0.0);
    ears.json("balance", |v| v["grid_w"] == 501.0).await;
    assert!(ears.said("tank/heater/wanted").iter().all(|w| w == "1500"), "what was known stands");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_file_reaches_the_rule_and_is_read_again_when_it_changes() {
    let broker = Mosquitto::start();
    let house = house(&broker, "file = \"import.csv\"", "file = \"export.csv\"").await;
    let file = |price: &str| format!("from,price\n{},{price}\n{},0.5\n", hour(-1), hour(3));
    std::fs::write(house.path("import.csv"), file("0.30")).unwrap();
    std::fs::write(house.path("export.csv"), file("0.15")).unwrap();
    let mut ears = Ears::at(broker.port()).await;
    let daemon = house.start();
    ears.up().await;
    ears.meters(500.0, 0.0);
    ears.word("tank/heater/wanted", "500").await;
    // Another length, since times of files are coarse on some systems.
    std::fs::write(house.path("import.csv"), file("0.050")).unwrap();
    ears.word("tank/heater/wanted", "700").await;
    std::fs::write(house.path("export.csv"), file("-0.01")).unwrap();
    ears.word("tank/heater/wanted", "1500").await;

    ears.mark();
    std::fs::write(house.path("import.csv"), "from,price\nyesterday,0.3\n").unwrap();
    let told = ears.notice("prices_unreadable").await;
    assert!(told.contains("import.csv") && told.contains("line 2"), "{told}");
    ears.meters(501.0, 0.0);
    ears.json("balance", |v| v["grid_w"] == 501.0).await;
    assert!(ears.said("tank/heater/wanted").iter().all(|w| w == "1500"), "what was known stands");
    daemon.stop().await;
}
