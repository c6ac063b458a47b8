//! Every home in `examples` is good as it stands, and its rules pass their tests.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

/// The homes, by name.
fn homes() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let mut homes: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    homes.retain(|path| path.is_dir());
    homes.sort();
    homes
}

/// The answer of a command for each home; they run beside each other, since some test a whole week.
fn answers(args: &[&str]) -> Vec<(String, Output)> {
    let started: Vec<_> = homes()
        .into_iter()
        .map(|home| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_overspill"));
            command.args(args).arg(home.join("home.toml"));
            let child = command.stdout(std::process::Stdio::piped()).spawn().unwrap();
            (home.file_name().unwrap().to_string_lossy().into_owned(), child)
        })
        .collect();
    started.into_iter().map(|(name, child)| (name, child.wait_with_output().unwrap())).collect()
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn each_has_a_home_file_rules_and_a_comment_that_says_what_it_shows() {
    let names: Vec<String> =
        homes().iter().map(|h| h.file_name().unwrap().to_string_lossy().into_owned()).collect();
    assert!(names.len() >= 3, "{names:?}");
    let readme = include_str!("../../README.md");
    for (name, home) in names.iter().zip(homes()) {
        let file = std::fs::read_to_string(home.join("home.toml")).unwrap();
        assert!(file.starts_with("# "), "{name} does not say what it shows");
        assert!(file.contains(&format!("\nid = \"{name}\"\n")), "{name} has another id");
        assert!(readme.contains(&format!("(examples/{name}")), "the README does not name {name}");
        for rule in std::fs::read_dir(home.join("rules")).unwrap().map(|e| e.unwrap().path()) {
            if rule.extension().is_some_and(|e| e == "rhai") {
                let tests = rule.with_extension("test.toml");
                assert!(tests.is_file(), "{} has no tests beside it", rule.display());
            }
        }
    }
}

#[test]
fn each_is_good_and_needs_no_warning() {
    for (name, output) in answers(&["check", "--strict"]) {
        assert_eq!(output.status.code(), Some(0), "{name}: {}", text(&output));
    }
}

#[test]
fn the_rules_of_each_pass_their_tests_which_leave_nothing_out() {
    for (name, output) in answers(&["test", "--format", "json"]) {
        assert_eq!(output.status.code(), Some(0), "{name}: {}", text(&output));
        let answer: Value = serde_json::from_str(&text(&output)).unwrap();
        let left_out = &answer["not_exercised"];
        assert_eq!(left_out["rules"], serde_json::json!([]), "{name}");
        assert_eq!(left_out["outcomes"], serde_json::json!([]), "{name}");
    }
}
