//! Changes of rules on a real folder: what is refused leaves everything as it was.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use jiff::Timestamp;
use tempfile::TempDir;

use super::files::{FileName, mark};
use super::saving::{Saved, Wanted, as_before, save, text_of};
use super::trial::{Change, tried};
use super::{numbered, versions};
use crate::config::{self, Config};

const WATER: &str = "// Warm when there is sun.\nfn decide(home) {\n    home.load(\"water\").take_spare(\"spare solar\");\n}\n";
const BROKEN: &str = "// Warm when there is sun.\nfn decide(home) {\n    home.load(\"water\").take_spar(\"spare solar\");\n}\n";
const CAR: &str =
    "import \"sums\" as sums;\nfn decide(home) { home.load(\"car\").run_at_a(sums::amps(), \"always\"); }\n";
const SUMS: &str = "fn amps() { 10.0 }\n";
const TEST: &str = "[test.sunny]\nstart = \"2026-06-01 12:00\"\ngiven = { base = 300, solar = 4000 }\n\
                    expect = [{ at = \"12:10\", load = \"water\", on = true }]\n";

/// A home with two rules, a library file and a test.
fn home(more: &str) -> (TempDir, Config) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(folder.path().join("rules/lib")).unwrap();
    let write =
        |name: &str, text: &str| std::fs::write(folder.path().join("rules").join(name), text).unwrap();
    write("water.rhai", WATER);
    write("car.rhai", CAR);
    write("lib/sums.rhai", SUMS);
    write("water.test.toml", TEST);
    let text = include_str!("../../../../examples/wren/home.toml")
        .replace("folder = \"rules\"", &format!("folder = \"rules\"\n{more}"));
    let config = config::parse_beside(&text, &folder.path().join("home.toml")).unwrap();
    (folder, config)
}

fn file(address: &str) -> FileName {
    FileName::of_address(address).unwrap()
}

fn on_disk(config: &Config, address: &str) -> Option<Vec<u8>> {
    file(address).read(&config.rules.folder).unwrap()
}

/// What somebody wants who began with what the file holds now.
fn wanted(config: &Config, address: &str, text: Option<&str>) -> Wanted {
    Wanted {
        file: file(address),
        bytes: text.map(|text| text.as_bytes().to_vec()),
        instead_of: mark(on_disk(config, address).as_deref()),
        despite_tests: false,
        by: "Ada".to_owned(),
        how: "changed",
    }
}

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_780_311_600 + second).unwrap()
}

/// Every file beside the home file, with what it holds.
fn everything(folder: &TempDir) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.path().to_owned()];
    while let Some(next) = folders.pop() {
        for entry in std::fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            match path.is_dir() {
                true => folders.push(path),
                false => found.push((path.display().to_string(), std::fs::read(&path).unwrap())),
            }
        }
    }
    found.sort();
    found
}

#[test]
fn a_broken_rule_shows_its_error_at_its_line_and_is_not_written() {
    let (folder, config) = home("");
    let before = everything(&folder);
    let Saved::Mistakes(trial) = save(&config, &wanted(&config, "water", Some(BROKEN)), at(0)).unwrap()
    else {
        panic!("it was taken");
    };
    assert_eq!(everything(&folder), before);
    assert_eq!(trial.mistakes.len(), 1);
    let mistake = &trial.mistakes[0];
    assert_eq!((mistake.file.as_str(), mistake.line), ("water.rhai", Some(3)));
    let lines = numbered(&file("water"), BROKEN, &trial.mistakes);
    let wrong: Vec<usize> =
        lines.iter().filter(|line| !line.wrong.is_empty()).map(|line| line.number).collect();
    assert_eq!(wrong, [3]);
    assert!(lines[2].wrong[0].contains("take_spar"), "{:?}", lines[2].wrong);
}

#[test]
fn a_rule_that_fails_only_when_it_runs_is_not_written_either() {
    let (folder, config) = home("");
    let before = everything(&folder);
    let fails = "fn decide(home) { let list = [1]; home.load(\"water\").run_at_w(list[3], \"why\"); }\n";
    let Saved::Mistakes(trial) = save(&config, &wanted(&config, "water", Some(fails)), at(0)).unwrap() else {
        panic!("it was taken");
    };
    assert!(trial.mistakes[0].when.is_some(), "{trial:?}");
    assert_eq!(everything(&folder), before);
}

#[test]
fn a_rule_that_somebody_else_changed_meanwhile_is_not_overwritten() {
    let (folder, config) = home("");
    let mine = wanted(&config, "water", Some(&WATER.replace("sun", "much sun")));
    let theirs = WATER.replace("Warm", "Hot");
    std::fs::write(folder.path().join("rules/water.rhai"), &theirs).unwrap();
    let before = everything(&folder);
    assert_eq!(save(&config, &mine, at(0)), Ok(Saved::Moved(Some(theirs.clone().into_bytes()))));
    assert_eq!(everything(&folder), before);
    // Who has seen theirs may go on; theirs is kept.
    let seen = Wanted { instead_of: mark(Some(theirs.as_bytes())), ..mine };
    assert!(matches!(save(&config, &seen, at(0)), Ok(Saved::Done(_))));
    let kept = &versions::all(&config.rules.folder, &file("water"))[0];
    assert_eq!(
        versions::read(&config.rules.folder, &file("water"), &kept.stamp).unwrap().unwrap(),
        theirs.as_bytes()
    );

    // One that was removed, or that somebody else made, is no other.
    std::fs::remove_file(folder.path().join("rules/water.rhai")).unwrap();
    let again = Wanted { instead_of: mark(Some(theirs.as_bytes())), ..seen };
    assert_eq!(save(&config, &again, at(1)), Ok(Saved::Moved(None)));
    let new = wanted(&config, "bath", Some(WATER));
    std::fs::write(folder.path().join("rules/bath.rhai"), "fn decide(home) {}").unwrap();
    assert_eq!(save(&config, &new, at(1)), Ok(Saved::Moved(Some(b"fn decide(home) {}".to_vec()))));
}

#[test]
fn a_change_is_put_in_force_and_a_version_comes_back_byte_for_byte() {
    let (folder, config) = home("");
    let odd = WATER.replace('\n', "\r\n").replace("sun.", "sun – caf\u{e9} \u{1f31e}.");
    std::fs::write(folder.path().join("rules/water.rhai"), &odd).unwrap();
    let changed = WATER.replace("spare solar", "sun");
    let saved = save(&config, &wanted(&config, "water", Some(&changed)), at(0)).unwrap();
    let Saved::Done(trial) = saved else { panic!("{saved:?}") };
    assert_eq!(trial.verdict(), "No mistake; 1 rule test passed.");
    assert_eq!(on_disk(&config, "water").unwrap(), changed.as_bytes());
    assert_eq!(save(&config, &wanted(&config, "water", Some(&changed)), at(1)), Ok(Saved::Same));

    let stamp = versions::all(&config.rules.folder, &file("water"))[0].stamp.clone();
    let bytes = versions::read(&config.rules.folder, &file("water"), &stamp).unwrap();
    let back = Wanted { bytes, how: "put back", ..wanted(&config, "water", None) };
    assert!(matches!(save(&config, &back, at(2)), Ok(Saved::Done(_))));
    assert_eq!(on_disk(&config, "water").unwrap(), odd.as_bytes());
    let all = versions::all(&config.rules.folder, &file("water"));
    assert_eq!((all.len(), all[0].how.as_deref(), all[0].by.as_deref()), (2, Some("put back"), Some("Ada")));
    // No file of another kind is left in the folder: the daemon would take it for a rule.
    let mut names: Vec<String> = std::fs::read_dir(&config.rules.folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(names, ["car.rhai", "lib", "water.rhai", "water.test.toml"]);
}

#[test]
fn rule_tests_that_fail_have_to_be_overruled() {
    let (_folder, config) = home("");
    let never = WATER.replace("take_spare", "stop");
    let mut change = wanted(&config, "water", Some(&never));
    let Saved::TestsFail(trial) = save(&config, &change, at(0)).unwrap() else { panic!("it was taken") };
    assert_eq!(trial.verdict(), "No mistake; 1 of 1 rule test failed.");
    assert!(trial.tests[0].failures[0].contains("expected"), "{:?}", trial.tests);
    assert_eq!(on_disk(&config, "water").unwrap(), WATER.as_bytes());
    change.despite_tests = true;
    assert!(matches!(save(&config, &change, at(0)), Ok(Saved::Done(_))));
    assert_eq!(on_disk(&config, "water").unwrap(), never.as_bytes());
}

#[test]
fn a_library_file_is_checked_with_the_rules_that_import_it() {
    let (folder, config) = home("");
    let before = everything(&folder);
    for change in [Some("fn ampere() { 10.0 }\n"), None] {
        let saved = save(&config, &wanted(&config, "lib:sums", change), at(0)).unwrap();
        assert!(
            matches!(&saved, Saved::Mistakes(trial) if trial.mistakes[0].file == "car.rhai"),
            "{saved:?}"
        );
    }
    assert_eq!(everything(&folder), before);
    let saved = save(&config, &wanted(&config, "lib:sums", Some("fn amps() { 12.0 }\n")), at(0)).unwrap();
    assert!(matches!(saved, Saved::Done(_)), "{saved:?}");
}

#[test]
fn a_mistake_elsewhere_does_not_stand_against_mending_one_here() {
    let (folder, config) = home("");
    std::fs::write(folder.path().join("rules/water.rhai"), BROKEN).unwrap();
    std::fs::write(folder.path().join("rules/car.rhai"), "fn decide(home) {").unwrap();
    let saved = save(&config, &wanted(&config, "car", Some(CAR)), at(0)).unwrap();
    let Saved::Done(trial) = saved else { panic!("{saved:?}") };
    assert_eq!(trial.before[0].file, "water.rhai");
    assert!(trial.verdict().contains("keeps the former rules"), "{}", trial.verdict());
}

#[test]
fn a_test_file_is_checked_and_saved_in_the_same_way() {
    let (folder, config) = home("");
    let before = everything(&folder);
    let odd = TEST.replace("load = \"water\"", "load = \"watr\"");
    let Saved::Mistakes(trial) = save(&config, &wanted(&config, "test:water", Some(&odd)), at(0)).unwrap()
    else {
        panic!("it was taken");
    };
    assert_eq!((trial.mistakes[0].file.as_str(), trial.mistakes[0].line), ("water.test.toml", Some(4)));
    assert_eq!(everything(&folder), before);
    let later = TEST.replace("12:10", "12:20");
    assert!(matches!(save(&config, &wanted(&config, "test:water", Some(&later)), at(0)), Ok(Saved::Done(_))));
}

#[test]
fn a_rule_is_removed_unless_the_home_file_names_it() {
    let (_folder, config) = home("");
    let gone = Wanted { despite_tests: true, how: "removed", ..wanted(&config, "water", None) };
    assert!(matches!(save(&config, &gone, at(0)), Ok(Saved::Done(_))));
    assert_eq!(on_disk(&config, "water"), None);
    assert_eq!(versions::removed(&config.rules.folder), [file("water")]);

    let (_folder, config) = home("order = [\"water\"]");
    let why = save(&config, &wanted(&config, "water", None), at(0)).unwrap_err();
    assert!(why.contains("`order`"), "{why}");
    assert!(on_disk(&config, "water").is_some());
}

#[test]
fn what_is_too_large_or_no_text_is_refused() {
    let (folder, config) = home("");
    let before = everything(&folder);
    let large = " ".repeat(overspill_rules::limits::RULE_FILE_BYTES + 1);
    let why = save(&config, &wanted(&config, "water", Some(&large)), at(0)).unwrap_err();
    assert!(why.contains("more than the 65536"), "{why}");
    assert!(text_of(b"a\0b").is_err() && text_of(b"\xff").is_err());
    assert_eq!(everything(&folder), before);
}

#[test]
fn a_trial_writes_nothing() {
    let (folder, config) = home("");
    let before = everything(&folder);
    for text in [Some(WATER.replace("sun.", "sun!")), Some(BROKEN.to_owned()), None] {
        tried(&config, &Change { file: file("water"), text }).unwrap();
    }
    assert_eq!(everything(&folder), before);
}

#[test]
fn line_ends_stay_as_the_file_had_them() {
    assert_eq!(as_before("a\r\nb\r\n", Some(b"a\nb\n")), "a\nb\n");
    assert_eq!(as_before("a\r\nb\r\n", Some(b"a\r\nb\r\n")), "a\r\nb\r\n");
    assert_eq!(as_before("a\r\nb", None), "a\nb");
}
