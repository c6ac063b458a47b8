//! The history as a browser shows it.

use super::browser::{Browser, DESK, PHONE};
use super::demo::Demo;

#[tokio::test(flavor = "multi_thread")]
async fn what_was_decided_stands_in_the_curves_in_the_readout_and_in_the_list() {
    // Ten minutes a second: what is spare is soon given to the loads.
    let demo = Demo::start(600).await;
    let browser = Browser::open(DESK).await;
    browser.go(&demo.url("/history")).await;
    let recorded = "const done = arguments[arguments.length - 1];
        fetch('/api/history?what=power').then((a) => a.json())
            .then((h) => done(h.power.every((p) => p.columns.length > 2) && h.decisions.some((l) => l.told.length > 1)), () => done(false));";
    while browser.run_async(recorded).await != true {
        tokio::time::sleep(std::time::Duration::from_millis(200)).await;
    }
    for look in [DESK, PHONE] {
        browser.look(look).await;
        browser.go(&demo.url("/history")).await;
        browser
            .until("a mark is drawn", "return document.querySelectorAll('.curves .stroke').length > 1")
            .await;
    }
    let list = browser.run("return document.querySelector('.decisions').textContent").await;
    assert!(list.as_str().unwrap().contains("Off: "), "{list}");

    // From the first moment on with the arrow keys, until a decision is read out.
    let walk = "const done = arguments[arguments.length - 1];
        const plot = document.querySelector('.plot'), words = document.querySelector('.readout');
        const press = (key) => plot.dispatchEvent(new KeyboardEvent('keydown', { key }));
        press('Home');
        setTimeout(async () => {
            for (let n = 0; n < 480 && !/: (Off|On|Set to)/.test(words.textContent); n++) {
                press('ArrowRight');
                await new Promise((go) => setTimeout(go));
            }
            done(words.textContent);
        }, 1500);";
    let said = browser.run_async(walk).await;
    let said = said.as_str().unwrap();
    let names = ["Pond pump: ", "Car: ", "Hot water: "];
    assert!(names.iter().any(|name| said.contains(name)) && said.contains("Grid "), "{said}");
    browser.close().await;
}
