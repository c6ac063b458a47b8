//! The walls between the crates: what the thinking may depend on, one crypto library, an agreed layout.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What `rules` may depend on, and why each is harmless: none of them reads a clock, a file or a socket by itself, as
/// they are built here.
const ALLOWED: [(&str, &str); 8] = [
    ("jiff", "civil time from numbers; the time zones are compiled in, so no file is read"),
    ("rhai", "the language of the rules, without its clock, its file imports and its console"),
    ("rust_decimal", "money is exact: arithmetic on decimals and nothing else"),
    ("serde", "inputs and outputs can be written down"),
    ("serde_json", "payloads are JSON; rule memory is kept as JSON"),
    (
        "solar-positioning",
        "where the sun stands: arithmetic, with its own sines, so the same on every machine",
    ),
    ("strsim", "the nearest right name in an error"),
    ("thiserror", "errors in words"),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|why| panic!("{path}: {why}"))
}

/// The names under `[dependencies]` of a manifest.
fn dependencies(manifest: &str) -> BTreeSet<String> {
    let section = manifest.split("\n[dependencies]\n").nth(1).unwrap();
    let lines = section.lines().take_while(|l| !l.starts_with('['));
    let names = lines
        .filter_map(|l| l.split(['=', '.', ' ']).next())
        .filter(|n| !n.is_empty() && !n.starts_with('#'));
    names.map(str::to_owned).collect()
}

#[test]
fn the_thinking_depends_on_nothing_that_reaches_out() {
    let allowed: BTreeSet<String> = ALLOWED.iter().map(|(name, _)| (*name).to_owned()).collect();
    assert_eq!(
        dependencies(&read("rules/Cargo.toml")),
        allowed,
        "a new dependency of `rules` needs a reason here"
    );
}

#[test]
fn the_engine_of_the_rules_is_built_without_its_clock() {
    let manifest = read("Cargo.toml");
    let rhai = manifest.lines().find(|l| l.starts_with("rhai ")).unwrap();
    for wanted in ["default-features = false", "\"no_time\"", "\"no_custom_syntax\""] {
        assert!(rhai.contains(wanted), "{wanted} is missing in {rhai}");
    }
}

#[test]
fn there_is_one_crypto_library() {
    let lock = read("Cargo.lock");
    for unwanted in ["aws-lc-rs", "aws-lc-sys", "openssl", "openssl-sys", "native-tls"] {
        assert!(!lock.contains(&format!("name = \"{unwanted}\"")), "{unwanted} came in");
    }
    assert!(lock.contains("name = \"ring\""));
}

#[test]
fn the_layout_is_the_agreed_one() {
    let agreed = ["bridge", "rules", "tests", "examples", "deploy", "target"];
    for entry in std::fs::read_dir(root()).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if entry.path().is_dir() && !name.starts_with('.') {
            assert!(agreed.contains(&name.as_str()), "the folder {name} is not part of the layout");
        }
    }
}

#[test]
fn the_thinking_does_not_name_the_reaching() {
    let mut folders = vec![root().join("rules/src")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                assert!(!text.contains("use overspill::"), "{} reaches into the bridge", path.display());
            }
        }
    }
}

/// Shadow rules have no way to command: nothing in their folder knows the way to the broker, a topic or a command.
#[test]
fn shadows_know_no_way_to_the_devices() {
    let folder = root().join("bridge/src/shadow");
    let mut files = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.ends_with("tests.rs") {
            continue;
        }
        files += 1;
        let text = std::fs::read_to_string(&path).unwrap();
        for word in ["mqtt", "LinkHandle", "Publication", "Topics", "Output::Command", "Session", "Core"] {
            assert!(!text.contains(word), "{} names {word}", path.display());
        }
    }
    assert!(files > 5, "{files} files");
    // Nor has the what-if below them: a command of its controller goes to a load that is not there, and nowhere else.
    let what_if = read("rules/src/whatif/mod.rs");
    assert_eq!(what_if.matches("Output::Command").count(), 1);
    assert!(what_if.contains("plant.command(now"));
}
