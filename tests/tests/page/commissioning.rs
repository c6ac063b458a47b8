//! A commissioning in a real browser, as a phone at the fuse board shows it: let in by the code, led through its steps
//! by hands that do what it says, with a grid clamp that turns out to be the wrong way round.

use std::time::Duration;

use overspill::commission::record::{self, Standing};
use serde_json::Value;

use super::browser::{Browser, PHONE};
use super::commission_home::Home;
use super::sight::Sight;

/// Steps that are done; the others are left open.
const DONE: [&str; 6] = ["cautions", "watch", "test-load", "roof", "point.grid", "point.solar"];

/// Slow enough that what a browser takes for a press is little time in the home, also where tests compete for it.
const SPEED: f64 = 40.0;

/// Somebody with a phone at the fuse board.
struct Fitter {
    home: Home,
    browser: Browser,
}

impl Fitter {
    /// The sitting, once the page shows the same turn of it.
    async fn sitting(&self) -> Value {
        let ask = "const done = arguments[arguments.length - 1];
            const turn = document.querySelector('[data-turn]')?.dataset.turn;
            fetch('/api/sitting').then((a) => a.json()).then((s) => done(String(s.turn) === turn ? s : null), () => done(null));";
        loop {
            let told = self.browser.run_async(ask).await;
            if !told.is_null() {
                return told;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Answers as a thumb does, and waits for what comes next.
    async fn say(&self, sitting: &Value) {
        let words = self.home.hands(sitting["question"]["key"].as_str().unwrap());
        if ["text", "number"].contains(&sitting["question"]["kind"].as_str().unwrap()) {
            self.browser.fill("#words", words).await;
            // What is left out has a button of its own.
            self.browser
                .click(if words.is_empty() { "button[name=none]" } else { ".thumb button.main" })
                .await;
        } else {
            // Pressed by script, which is as quick as a thumb is in the home's time.
            let press =
                format!("document.querySelector(\".thumb button[value='{words}']\").click(); return null");
            self.browser.run(&press).await;
        }
        self.next(sitting).await;
    }

    async fn leave_open(&self, sitting: &Value) {
        self.browser.click(".other summary").await;
        self.browser.click(".other button[value=skip]").await;
        self.next(sitting).await;
    }

    async fn next(&self, sitting: &Value) {
        let turn = &sitting["turn"];
        let moved =
            format!("return (document.querySelector('[data-turn]')?.dataset.turn ?? '{turn}') !== '{turn}'");
        self.browser.until("the page goes on", &moved).await;
    }

    /// Goes on until this is asked, or all steps are over.
    async fn go_on(&self, until: &str) -> Value {
        loop {
            let sitting = self.sitting().await;
            if sitting["stage"] == "rests" || sitting["question"]["key"] == until {
                return sitting;
            }
            if sitting["stage"] != "asks" {
                tokio::time::sleep(Duration::from_millis(20)).await;
            } else if DONE.contains(&sitting["step"]["id"].as_str().unwrap()) {
                self.say(&sitting).await;
            } else {
                self.leave_open(&sitting).await;
            }
        }
    }
}

/// Scrolls to it first, as people do with what lies below the buttons at the foot.
async fn press(browser: &Browser, css: &str) {
    browser
        .run(&format!("document.querySelector(`{css}`).scrollIntoView({{ block: 'center' }}); return null"))
        .await;
    browser.click(css).await;
}

fn verdict<'a>(sitting: &'a Value, id: &str) -> &'a str {
    let step = sitting["steps"].as_array().unwrap().iter().find(|s| s["id"] == id).unwrap();
    step["verdict"].as_str().unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_phone_is_led_through_a_commissioning_and_a_reversed_clamp_is_put_right() {
    let mut sight = Sight::new();
    // Only a page that other computers may see asks for the code.
    let home = Home::new("0.0.0.0:0", SPEED).await;
    let (host, code) = (home.host().await, home.code().await);
    let url = |path: &str| format!("http://{host}{path}");
    let fitter = Fitter { home, browser: Browser::open(PHONE).await };
    let browser = &fitter.browser;

    browser.go(&url("/")).await;
    assert_eq!(browser.path().await, "/code");
    assert!(!browser.text("body").await.contains("Linnet"), "a stranger is not told whose home it is");
    browser.fill("#code", "000 000").await;
    browser.click("button.main").await;
    browser.until("the wrong code is told", "return !!document.querySelector('#unfit')").await;
    sight.look_at_all(browser, "commission-code-wrong").await;
    browser.fill("#code", &code).await;
    browser.click("button.main").await;
    browser.until("the first step is there", "return !!document.querySelector('section.caution')").await;
    assert!(browser.text("header").await.contains("Linnet House"), "who is let in is told whose home it is");
    sight.look_at_all(browser, "commission-caution").await;

    browser.click("a[href='/steps']").await;
    browser.until("the steps are listed", "return location.pathname === '/steps'").await;
    sight.look_at_all(browser, "commission-steps").await;
    browser.click(".thumb a.main").await;
    browser.until("it is back at the step", "return !!document.querySelector('section.caution')").await;

    // What does not fit is told beside its field, and stays there to be mended.
    fitter.go_on("test-load.rated-w").await;
    browser.fill("#words", "lots").await;
    browser.click(".thumb button.main").await;
    browser.until("the mistake is told", "return !!document.querySelector('#words[aria-invalid]')").await;
    assert!(browser.text("#unfit").await.contains("from 500 to 4000 W"));
    sight.look_at_all(browser, "commission-unfit").await;

    // Values move by themselves, on the very same page.
    fitter.go_on("test-load.on").await;
    browser
        .run("window.mark = document.querySelector('.readings td').textContent; document.querySelector('.step').mark = true; return null")
        .await;
    let moved = "return document.querySelector('.readings td').textContent !== window.mark && document.querySelector('.step').mark";
    browser.until("the readings move", moved).await;
    sight.look_at_all(browser, "commission-ready").await;

    fitter.go_on("again").await;
    assert_eq!(browser.text(".verdict h2").await.to_lowercase(), "wrong");
    sight.look_at_all(browser, "commission-verdict").await;

    let rests = fitter.go_on("").await;
    assert_eq!(verdict(&rests, "point.grid"), "wrong", "{rests:#}");
    sight.look_at_all(browser, "commission-rest").await;

    // The correction is looked at and written; what it touches is to be proved anew, now or later.
    browser.click(".thumb a[href='/correction']").await;
    browser.until("the difference is shown", "return !!document.querySelector('.difference .added')").await;
    sight.look_at_all(browser, "commission-correction").await;
    browser.click("form[action='/apply'] button").await;
    browser.until("it begins anew", "return !!document.querySelector('.other')").await;
    let begun = fitter.sitting().await;
    assert_eq!(
        (verdict(&begun, "point.grid"), &begun["corrects"]),
        ("lapsed", &Value::Bool(false)),
        "{begun:#}"
    );
    press(browser, ".other summary").await;
    press(browser, ".other button[value=stop]").await;

    browser.until("it rests", "return !!document.querySelector('section form[action=\"/issue\"]')").await;
    press(browser, "section form[action='/issue'] button").await;
    browser.until("the sheet is there", "return !!document.querySelector('a[href=\"/sheet\"]')").await;
    press(browser, "section a[href='/sheet']").await;
    browser
        .until(
            "the sheet is shown",
            "return location.pathname === '/sheet' && document.readyState === 'complete'",
        )
        .await;
    sight.look_at_all(browser, "commission-sheet").await;

    let Fitter { home, browser } = fitter;
    browser.close().await;
    home.end.send(()).unwrap();
    home.attended.await.unwrap();
    let record = record::read(&home.home.with_file_name("home.commission.json")).unwrap().unwrap();
    assert_eq!(record.test("point.grid").unwrap().verdict, Standing::Lapsed);
    assert_eq!(record.corrections.len(), 1);
    sight.judge();
}
