//! Every view at phone and desktop width, light and dark.

use super::browser::{Browser, PHONE};
use super::demo::Demo;
use super::home::Home;
use super::people::USERS;
use super::sight::{Sight, looks};

/// The views, with a name for their pictures.
const VIEWS: &[(&str, &str)] = &[
    ("now", "/"),
    ("history", "/history"),
    ("history-long", "/history?from=2026-05-01&to=2026-06-30"),
    ("loads", "/loads"),
    ("load", "/loads/car"),
    ("settings", "/settings"),
    ("rules", "/rules"),
    ("rule", "/rules/car"),
    ("rule-edit", "/rules/car/edit"),
    ("rule-versions", "/rules/car/versions"),
    ("rule-new", "/new-rule"),
    ("shadows", "/shadows"),
    ("report", "/report"),
    ("battery", "/battery"),
    ("commissioning", "/commissioning"),
    ("health", "/health"),
    ("missing", "/nowhere"),
];

#[tokio::test(flavor = "multi_thread")]
async fn every_view_is_accessible_and_fits_at_every_look() {
    let mut sight = Sight::new();
    let demo = Demo::start(60).await;
    // The demo has no users, so its login is another home's.
    let guarded = Home::new(USERS);
    let running = guarded.start().await;
    let browser = Browser::open(PHONE).await;
    let views = VIEWS.iter().map(|(name, path)| (*name, demo.url(path)));
    for (name, path) in views.chain([("login", guarded.url("/login"))]) {
        for (way, look) in looks() {
            browser.look(look).await;
            browser.go(&path).await;
            sight.look(&browser, name, (way, look)).await;
        }
    }
    browser.close().await;
    running.stop().await;
    sight.judge();
}
