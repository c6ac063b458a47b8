//! A sitting that ends while its page is open.

use super::browser::{Browser, DESK};
use super::home::Home;
use super::people::USERS;

async fn log_in(browser: &Browser) {
    browser.fill("#name", "vera").await;
    browser.fill("#password", "teal river stone").await;
    browser.click(".login button").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_whose_sitting_ended_with_the_daemon_leads_to_the_login_by_itself() {
    let home = Home::new(USERS);
    let running = home.start().await;
    let browser = Browser::open(DESK).await;
    browser.go(&home.url("/")).await;
    log_in(&browser).await;
    browser.until("it is live", "return document.querySelector('.lost')?.hidden").await;
    assert_eq!(browser.run("return document.cookie").await, "", "no script can read the sitting");
    running.stop().await;
    let running = home.start().await;
    browser.until("it asks for the password", "return location.pathname == '/login'").await;
    log_in(&browser).await;
    browser.until("it is live again", "return document.querySelector('.lost')?.hidden").await;
    browser.close().await;
    running.stop().await;
}
