//! What people do on the page, and what comes of it.

use overspill_tests::client::{self, Client};

use super::browser::{Browser, DESK, PHONE};
use super::demo::Demo;
use super::home::Home;

#[tokio::test(flavor = "multi_thread")]
async fn an_override_goes_out_as_a_command_and_ends_by_itself() {
    // Half an hour is three seconds.
    let demo = Demo::start(600).await;
    let mut config = client::config(demo.at.broker, "page-override");
    config.subscriptions = vec![
        overspill::mqtt::Subscription::new("tank/heater/wanted"),
        overspill::mqtt::Subscription::new("overspill/linnet/load/water"),
    ];
    let mut ears = Client::ready(config).await;
    let browser = Browser::open(PHONE).await;
    browser.go(&demo.url("/")).await;
    browser.click("a[href='/loads/water']").await;
    browser.click("input[name=want][value=on]").await;
    browser.fill("#amount", "1230").await;
    browser.run("document.querySelector('#lasts').selectedIndex = 0; return null").await;
    browser.click("form[action$='/override'] button").await;
    browser.until("it says that it was done", "return !!document.querySelector('.done')").await;

    // The command itself, then the load's own words that a person holds it, then that nobody does.
    let mut commanded = false;
    loop {
        let (topic, payload, _) = ears.message().await;
        commanded |= topic == "tank/heater/wanted" && payload == "1230";
        if commanded && payload.contains("\"override_until\":\"") {
            break;
        }
    }
    loop {
        let (_, payload, _) = ears.message().await;
        if payload.contains("\"override_until\":null") {
            break;
        }
    }
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broken_rule_shows_its_error_at_its_line_and_does_not_go_live() {
    let home = Home::new("");
    let running = home.start().await;
    let before = std::fs::read_to_string(home.file().with_file_name("rules/water.rhai")).unwrap();
    let browser = Browser::open(DESK).await;
    browser.go(&home.url("/rules/water/edit")).await;
    browser
        .fill("#text", "fn decide(home) {\n    home.load(\"wather\").take_spare(\"spare solar\");\n}\n")
        .await;
    browser.click("button[value=save]").await;
    browser.until("the mistake stands at its line", "return !!document.querySelector('#line-2.wrong')").await;
    let said = browser.text("#line-2.wrong .fault").await;
    assert!(said.contains("Line 2") && said.contains("water"), "{said}");
    let after = std::fs::read_to_string(home.file().with_file_name("rules/water.rhai")).unwrap();
    assert_eq!(before, after, "a broken rule was written");

    // Mended, it goes live, and the old text is among the versions.
    browser
        .fill("#text", "fn decide(home) {\n    home.load(\"water\").take_spare(\"sun to spare\");\n}\n")
        .await;
    browser.click("button[value=save]").await;
    browser.until("it is in force", "return !!document.querySelector('.done')").await;
    let after = std::fs::read_to_string(home.file().with_file_name("rules/water.rhai")).unwrap();
    let said = browser.text(".done").await;
    assert!(after.contains("sun to spare"), "{said}\n{after}");
    browser.close().await;
    running.stop().await;
}
