//! Every view at phone and desktop width, light and dark: no violation of what axe-core checks (WCAG 2.2 A and AA and
//! its best practices), nothing wider than the screen. With `OVERSPILL_PICTURES=DIR` pictures of all are kept there.

use std::path::{Path, PathBuf};

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::browser::{Browser, DESK, Look, PHONE};
use super::demo::Demo;
use super::home::Home;
use super::people::USERS;

/// Version 4.14.1, as the npm registry has it; `tests/all.sh` brings it.
const AXE_MARK: &str = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c";

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

fn axe() -> String {
    let workspace = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let file = workspace.join("target/axe/node_modules/axe-core/axe.min.js");
    let text = std::fs::read_to_string(file).expect("tests/all.sh brings axe-core");
    let mark: String = Sha256::digest(&text).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(mark, AXE_MARK, "another axe-core than the one these tests know");
    text
}

fn looks() -> [(&'static str, Look); 4] {
    [("phone-light", PHONE), ("phone-dark", PHONE.dark()), ("desk-light", DESK), ("desk-dark", DESK.dark())]
}

/// What axe-core finds wrong, one line for each place.
async fn violations(browser: &Browser, axe: &str) -> Vec<String> {
    browser.run(axe).await;
    let found = browser
        .run_async("const done = arguments[arguments.length - 1]; axe.run(document).then(r => done(r.violations), e => done([{ id: 'axe failed', help: String(e), nodes: [] }]))")
        .await;
    let told = |v: &Value| {
        let places: Vec<String> = v["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|n| n["html"].as_str().unwrap_or("").to_owned())
            .collect();
        format!("{}: {} at {}", v["id"], v["help"], places.join(" | "))
    };
    found.as_array().unwrap().iter().map(told).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_view_is_accessible_and_fits_at_every_look() {
    let axe = axe();
    let pictures = std::env::var_os("OVERSPILL_PICTURES").map(PathBuf::from);
    let demo = Demo::start(60).await;
    // The demo has no users, so its login is another home's.
    let guarded = Home::new(USERS);
    let running = guarded.start().await;
    let browser = Browser::open(PHONE).await;
    let mut wrong = Vec::new();
    let views = VIEWS.iter().map(|(name, path)| (*name, demo.url(path)));
    for (name, path) in views.chain([("login", guarded.url("/login"))]) {
        for (way, look) in looks() {
            browser.look(look).await;
            browser.go(&path).await;
            let wide = browser.run("return document.documentElement.scrollWidth - innerWidth").await;
            if wide.as_i64().unwrap() > 0 {
                wrong.push(format!("{path} {way}: {wide} pixels too wide"));
            }
            let found = violations(&browser, &axe).await;
            wrong.extend(found.into_iter().map(|v| format!("{path} {way}: {v}")));
            if let Some(folder) = &pictures {
                std::fs::create_dir_all(folder).unwrap();
                std::fs::write(folder.join(format!("{name}-{way}.png")), browser.picture(look).await)
                    .unwrap();
            }
        }
    }
    browser.close().await;
    running.stop().await;
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
