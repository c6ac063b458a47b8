//! The tutorial of the README, followed to the letter: what it says to write is written, what it says to run is run, and
//! what it says comes comes.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::path::Path;
use std::process::Command;

/// The code blocks of the tutorial in order, without their indent.
fn blocks() -> Vec<String> {
    let readme = std::fs::read_to_string("../README.md").unwrap();
    let tutorial = readme.split("### Write your first rule with a test").nth(1).unwrap();
    let tutorial = tutorial.split("\n### ").next().unwrap();
    let fenced = tutorial.split("```").skip(1).step_by(2);
    let body = |block: &str| {
        let lines = block.lines().skip(1).map(|l| l.strip_prefix("   ").unwrap_or(l));
        lines.collect::<Vec<_>>().join("\n")
    };
    fenced.map(body).collect()
}

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.path().is_dir() {
            copied(&entry.path(), &to);
        } else {
            std::fs::copy(entry.path(), to).unwrap();
        }
    }
}

fn overspill(folder: &Path, args: &[&str]) -> (Option<i32>, String) {
    let output =
        Command::new(env!("CARGO_BIN_EXE_overspill")).args(args).current_dir(folder).output().unwrap();
    (output.status.code(), String::from_utf8(output.stdout).unwrap())
}

#[test]
fn the_tutorial_leads_where_it_says() {
    let [load, first, tests, mended] = blocks().try_into().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("my-home");
    copied(Path::new("../examples/wren"), &home);
    let file = std::fs::read_to_string(home.join("home.toml")).unwrap();
    std::fs::write(home.join("home.toml"), format!("{file}\n{load}\n")).unwrap();
    std::fs::write(home.join("rules/pump.rhai"), first).unwrap();
    let (code, text) = overspill(folder.path(), &["check", "my-home/home.toml"]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.starts_with("my-home/home.toml is good.\n"), "{text}");
    std::fs::write(home.join("rules/pump.test.toml"), tests).unwrap();
    let (code, text) = overspill(folder.path(), &["test", "my-home/home.toml", "pump/"]);
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("pass  pump/sunny-day") && text.contains("FAIL  pump/dull-day"), "{text}");
    std::fs::write(home.join("rules/pump.rhai"), mended).unwrap();
    let (code, text) = overspill(folder.path(), &["test", "my-home/home.toml", "pump/"]);
    assert_eq!(code, Some(0), "{text}");
    let (code, text) = overspill(folder.path(), &["test", "my-home/home.toml"]);
    assert_eq!(code, Some(0), "{text}");
}
