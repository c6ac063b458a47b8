//! Every view at phone and desktop width, light and dark.

use std::path::Path;

use clap::Parser;

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

/// The same where something was recorded.
const RECORDED: &[(&str, &str)] = &[
    ("history-recorded", "/history?from=2026-06-01&to=2026-06-30"),
    ("history-recorded-day", "/history?from=2026-06-10"),
    ("report-recorded", "/report?from=2026-06-01&to=2026-06-30"),
    ("report-printed", "/report.html?from=2026-06-01&to=2026-06-30"),
    ("battery-answered", "/battery?sizes=2.5,5&charge_efficiency=0.95&discharge_efficiency=0.95"),
];

/// Whether the way to the views takes at most two rows, each high enough for a thumb. Pages without it are well.
const ROWS: &str = "const links = [...document.querySelectorAll('header nav a')].map((a) => a.getBoundingClientRect());
    return new Set(links.map((box) => Math.round(box.top))).size <= 2 && links.every((box) => box.height >= 44);";

#[derive(Parser)]
struct Import {
    #[command(flatten)]
    args: overspill::commands::import::Args,
}

/// A home with a tariff and a June of sunny days.
fn with_a_record() -> Home {
    let home = Home::new("[tariff]\ncurrency = \"GBP\"\nimport = 0.26\nexport = 0.15\n");
    let file = home.file().with_file_name("june.csv");
    let rows = (0..30 * 48).map(|half: u32| {
        let (day, hour) = (half / 48 + 1, f64::from(half % 48) / 2.0);
        let sun = ((hour - 6.0) / 12.0 * std::f64::consts::PI).sin().max(0.0) * 3000.0;
        format!(
            "2026-06-{day:02}T{:02}:{:02}:00Z,{:.0},{sun:.0}\n",
            half % 48 / 2,
            half % 2 * 30,
            500.0 - sun
        )
    });
    std::fs::write(&file, format!("time,grid_w,solar_w\n{}", rows.collect::<String>())).unwrap();
    let (home_file, import) = (home.file(), Path::new("import"));
    let asked = Import::parse_from([import, &home_file, &file]);
    assert_eq!(overspill::commands::import::run(&asked.args), overspill::cli::Outcome::Done);
    home
}

#[tokio::test(flavor = "multi_thread")]
async fn every_view_is_accessible_and_fits_at_every_look() {
    let mut sight = Sight::new();
    let demo = Demo::start(60).await;
    // The demo has no users, so its login is another home's.
    let guarded = Home::new(USERS);
    let running = guarded.start().await;
    let browser = Browser::open(PHONE).await;
    let recorded = with_a_record();
    let recording = recorded.start().await;
    let views = VIEWS.iter().map(|(name, path)| (*name, demo.url(path)));
    let filled = RECORDED.iter().map(|(name, path)| (*name, recorded.url(path)));
    for (name, path) in views.chain(filled).chain([("login", guarded.url("/login"))]) {
        for (way, look) in looks() {
            browser.look(look).await;
            browser.go(&path).await;
            sight.look(&browser, name, (way, look)).await;
            if look.width == PHONE.width {
                assert_eq!(browser.run(ROWS).await, serde_json::json!(true), "{name}: the way to the views");
            }
        }
    }
    browser.close().await;
    running.stop().await;
    recording.stop().await;
    sight.judge();
}
