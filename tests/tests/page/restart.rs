//! A page that is open while the daemon is away.

use super::browser::{Browser, PHONE};
use super::home::Home;

#[tokio::test(flavor = "multi_thread")]
async fn the_page_says_that_the_daemon_is_gone_and_goes_on_by_itself_when_it_is_back() {
    let home = Home::new("");
    let running = home.start().await;
    let browser = Browser::open(PHONE).await;
    browser.go(&home.url("/")).await;
    browser.until("it is live", "return document.querySelector('.lost').hidden").await;
    // A mark of this very page: it is gone if the browser loads it anew.
    browser.run("window.mark = 'the same page'; return null").await;

    running.stop().await;
    browser.until("the loss is told", "return !document.querySelector('.lost').hidden").await;
    let running = home.start().await;
    browser.until("the loss is over", "return document.querySelector('.lost').hidden").await;
    assert_eq!(browser.run("return window.mark").await, "the same page");

    browser.close().await;
    running.stop().await;
}
