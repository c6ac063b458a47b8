//! What people do on the page, and what comes of it.

use std::path::Path;

use clap::Parser;
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

/// Users with the password `teal river stone`; the hashes are what `overspill password` made of it.
pub(crate) const USERS: &str = r#"
[user.vera]
role = "view"
password_hash = "$argon2id$v=19$m=19456,t=2,p=1$2vpQPvEoTPFSm67/M+oVAw$Tb8nCFFVuNI8tFDL593TuCkZy7RQvrtZgt/Bt7FNKWA"

[user.otto]
role = "operate"
password_hash = "$argon2id$v=19$m=19456,t=2,p=1$24Z6td/EKvY+91WYeV6h+w$v1NgnoaH9WMWWK0QzUekYLsyf/Lpo20MyEIaYmdLPCk"
"#;

async fn log_in(browser: &Browser, name: &str, password: &str) {
    browser.fill("#name", name).await;
    browser.fill("#password", password).await;
    browser.click("form.login button").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn who_may_only_look_sees_no_controls_and_who_may_operate_does() {
    let home = Home::new(USERS);
    let running = home.start().await;
    let browser = Browser::open(PHONE).await;
    browser.go(&home.url("/loads/water")).await;
    assert_eq!(browser.path().await, "/login", "nobody sees anything without a login");
    log_in(&browser, "vera", "teal river stones").await;
    browser.until("the wrong password is told", "return !!document.querySelector('#trouble')").await;
    log_in(&browser, "vera", "teal river stone").await;
    browser.until("it goes on to the load", "return location.pathname == '/loads/water'").await;
    let controls = "return document.querySelectorAll('main form[method=post]').length";
    assert_eq!(browser.run(controls).await, 0, "a viewer is shown controls");
    browser.go(&home.url("/rules/water/edit")).await;
    assert_eq!(browser.text("h1").await, "Not allowed");

    browser.click("form.sitting button").await;
    browser.until("the sitting is over", "return location.pathname == '/login'").await;
    log_in(&browser, "otto", "teal river stone").await;
    browser.until("otto is in", "return location.pathname != '/login'").await;
    browser.go(&home.url("/loads/water")).await;
    assert!(browser.run(controls).await.as_u64() > Some(0), "who may operate is shown no controls");
    browser.close().await;
    running.stop().await;
}

/// A day of one kilowatt from the roof, half of which leaves: 24 kWh made, 12 of them sent out.
fn history_of_a_day() -> String {
    let rows = (0..48).map(|half| format!("2026-06-01T{:02}:{:02}:00Z,-500,1000\n", half / 2, half % 2 * 30));
    format!("time,grid_w,solar_w\n{}", rows.collect::<String>())
}

#[derive(Parser)]
struct Import {
    #[command(flatten)]
    args: overspill::commands::import::Args,
}

#[tokio::test(flavor = "multi_thread")]
async fn an_imported_day_stands_in_the_history_with_its_figures() {
    let home = Home::new("");
    let file = home.file().with_file_name("day.csv");
    std::fs::write(&file, history_of_a_day()).unwrap();
    let (home_file, import) = (home.file(), Path::new("import"));
    let asked = Import::parse_from([import, &home_file, &file]);
    assert_eq!(overspill::commands::import::run(&asked.args), overspill::cli::Outcome::Done);

    let running = home.start().await;
    let browser = Browser::open(DESK).await;
    // In UTC, so that it is the same day for the home: London is an hour ahead.
    browser.go(&home.url("/history?from=2026-06-01T00:00:00Z&to=2026-06-02T00:00:00Z")).await;
    let said = browser.text(".headline-sentence").await;
    assert!(said.contains("24") && said.contains("12"), "{said}");
    assert_eq!(
        browser.run("return !!document.querySelector('svg.energies rect, svg.energies path')").await,
        true
    );
    browser.close().await;
    running.stop().await;
}
