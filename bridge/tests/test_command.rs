//! `overspill test` as people and programs run it.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

use serde_json::Value;

fn test(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_overspill")).arg("test").args(args).output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

const WREN: &str = "../examples/wren/home.toml";
const FAILING: &str = "tests/rule_tests/failing/home.toml";
const WRONG: &str = "tests/rule_tests/wrong/home.toml";
const NONE: &str = "tests/rule_tests/none/home.toml";
const BROKEN: &str = "tests/rule_tests/broken/home.toml";

#[test]
fn tests_that_pass_end_with_0() {
    let output = test(&[WREN]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn a_cut_on_one_phase_frees_no_room_on_another() {
    let output = test(&["tests/rule_tests/three-phases/home.toml"]);
    assert!(text(&output).contains("pass  cars/kettle"), "{}", text(&output));
}

#[test]
fn a_failing_test_ends_with_1_and_shows_what_led_there() {
    let output = test(&[FAILING]);
    assert_eq!(output.status.code(), Some(1));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn mistakes_in_test_files_end_with_2_each_at_its_place() {
    let output = test(&[WRONG]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn broken_rules_end_with_2() {
    let output = test(&[BROKEN]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn no_test_ends_with_3() {
    let output = test(&[NONE]);
    assert_eq!(output.status.code(), Some(3));
    insta::assert_snapshot!(text(&output), @r"
    No test was found.
    Tests stand in files called NAME.test.toml in tests/rule_tests/none/rules.
    ");
    let output = test(&[WREN, "no-such-name"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(text(&output).ends_with("None in ../examples/wren/rules has \"no-such-name\" in its name.\n"));
}

#[test]
fn a_home_that_is_not_there_ends_with_2() {
    assert_eq!(test(&["not-there.toml"]).status.code(), Some(2));
    let output = test(&["not-there.toml", "--format", "json"]);
    assert_eq!(json(&output)["failure"], "the home file not-there.toml can't be read: it is not there");
}

#[test]
fn a_filter_runs_some() {
    let output = test(&[FAILING, "follows"]);
    assert_eq!(output.status.code(), Some(0));
    insta::assert_snapshot!(text(&output), @r"
    pass  car/follows-the-sun: it passes

    1 test passed: 10 min in the home.
    ");
}

#[test]
fn lines_fit_80_columns() {
    for home in [WREN, FAILING] {
        for line in text(&test(&[home])).lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
}

#[test]
fn programs_get_every_test_and_what_none_exercised() {
    let answer = json(&test(&[FAILING, "--format", "json"]));
    assert_eq!((&answer["passed"], &answer["failed"]), (&Value::from(1), &Value::from(1)));
    assert_eq!(answer["tests"][1]["name"], "car/wrong-on-purpose");
    assert_eq!(answer["tests"][1]["failures"][0]["line"], 14);
    assert_eq!(answer["not_exercised"]["rules"], serde_json::json!(["never"]));
    let stop = serde_json::json!({ "rule": "water", "load": "water", "outcome": "stop" });
    assert!(answer["not_exercised"]["outcomes"].as_array().unwrap().contains(&stop));
}

#[test]
fn build_servers_get_their_xml() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("outcome.xml");
    assert_eq!(test(&[FAILING, "--junit", file.to_str().unwrap()]).status.code(), Some(1));
    let xml = std::fs::read_to_string(&file).unwrap();
    assert!(xml.contains("<testsuite name=\"wren\" tests=\"2\" failures=\"1\""), "{xml}");
    assert!(xml.contains("<testcase classname=\"car\" name=\"follows-the-sun\""), "{xml}");
    assert!(xml.contains("<failure message=\"at 12:10:00, car (line 14)\">"), "{xml}");
    assert!(xml.contains("&quot;spare solar&quot;"), "{xml}");
}

#[test]
fn the_same_tests_say_the_same() {
    assert_eq!(text(&test(&[FAILING])), text(&test(&[FAILING])));
}
