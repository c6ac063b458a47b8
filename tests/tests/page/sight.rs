//! Looking at a page as people of all kinds do: what axe-core checks (WCAG 2.2 A and AA and its best practices), and
//! nothing wider than the screen. With `OVERSPILL_PICTURES=DIR` pictures of all are kept there.

use std::path::{Path, PathBuf};

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::browser::{Browser, DESK, Look, PHONE};

/// Version 4.14.1, as the npm registry has it; `tests/all.sh` brings it.
const AXE_MARK: &str = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c";

/// Phone and desk, light and dark.
pub(crate) fn looks() -> [(&'static str, Look); 4] {
    [("phone-light", PHONE), ("phone-dark", PHONE.dark()), ("desk-light", DESK), ("desk-dark", DESK.dark())]
}

/// What was found wrong so far.
pub(crate) struct Sight {
    axe: String,
    pictures: Option<PathBuf>,
    wrong: Vec<String>,
}

impl Sight {
    pub(crate) fn new() -> Sight {
        let pictures = std::env::var_os("OVERSPILL_PICTURES").map(PathBuf::from);
        Sight { axe: axe(), pictures, wrong: Vec::new() }
    }

    /// Looks at the page that is open, in this way; `name` is for its pictures.
    pub(crate) async fn look(&mut self, browser: &Browser, name: &str, (way, look): (&str, Look)) {
        let wide = browser.run("return document.documentElement.scrollWidth - innerWidth").await;
        if wide.as_i64().unwrap() > 0 {
            self.wrong.push(format!("{name} {way}: {wide} pixels too wide"));
        }
        let found = violations(browser, &self.axe).await;
        self.wrong.extend(found.into_iter().map(|v| format!("{name} {way}: {v}")));
        if let Some(folder) = &self.pictures {
            std::fs::create_dir_all(folder).unwrap();
            let picture = browser.picture(look).await;
            std::fs::write(folder.join(format!("{name}-{way}.png")), picture).unwrap();
        }
    }

    /// Looks at the page that is open, in all ways, without loading it anew.
    pub(crate) async fn look_at_all(&mut self, browser: &Browser, name: &str) {
        for (way, look) in looks() {
            browser.look(look).await;
            self.look(browser, name, (way, look)).await;
        }
        browser.look(PHONE).await;
    }

    /// # Panics
    /// When anything was wrong.
    pub(crate) fn judge(self) {
        assert!(self.wrong.is_empty(), "{}", self.wrong.join("\n"));
    }
}

fn axe() -> String {
    let workspace = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let file = workspace.join("target/axe/node_modules/axe-core/axe.min.js");
    let text = std::fs::read_to_string(file).expect("tests/all.sh brings axe-core");
    let mark: String = Sha256::digest(&text).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(mark, AXE_MARK, "another axe-core than the one these tests know");
    text
}

/// What axe-core finds wrong, one line for each place.
async fn violations(browser: &Browser, axe: &str) -> Vec<String> {
    if browser.run("return typeof axe === 'undefined'").await == true {
        browser.run(axe).await;
    }
    let found = browser
        .run_async("const done = arguments[arguments.length - 1]; axe.run(document, { resultTypes: ['violations'] }).then(r => done(r.violations), e => done([{ id: 'axe failed', help: String(e), nodes: [] }]))")
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
