//! `overspill check` as people and programs run it.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

use serde_json::Value;

fn check(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_overspill")).arg("check").args(args).output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

const WREN: &str = "../examples/wren/home.toml";
const MANY: &str = "tests/home_files/many-at-once.toml";

#[test]
fn a_good_home_ends_with_0_and_says_what_it_does() {
    let output = check(&[WREN]);
    assert_eq!(output.status.code(), Some(0));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn mistakes_end_with_1_and_are_counted() {
    let output = check(&[MANY]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output).ends_with(
            "4 mistakes in tests/home_files/many-at-once.toml. The rules are looked at once it is good.\n"
        ),
        "{}",
        text(&output)
    );
}

#[test]
fn a_file_that_is_not_there_ends_with_2() {
    let output = check(&["not-there.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(text(&output), "the home file not-there.toml can't be read: it is not there\n");
    let output = check(&["not-there.toml", "--format", "json"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(json(&output)["failure"], "the home file not-there.toml can't be read: it is not there");
}

#[test]
fn a_command_line_that_is_none_ends_with_2() {
    assert_eq!(check(&[]).status.code(), Some(2));
    assert_eq!(check(&["--colour", WREN]).status.code(), Some(2));
}

#[test]
fn programs_get_every_finding_with_its_place() {
    let output = check(&[MANY, "--format", "json"]);
    assert_eq!(output.status.code(), Some(1));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn programs_get_the_summary_of_a_good_home() {
    let answer = json(&check(&[WREN, "--format", "json"]));
    assert_eq!((&answer["good"], &answer["mistakes"]), (&Value::Bool(true), &Value::from(0)));
    assert_eq!(answer["summary"]["loads"][0]["exposure"]["obey_s"], 30.0);
    assert_eq!(answer["summary"]["rules"], serde_json::json!(["busy", "car", "water"]));
}

#[test]
fn the_schema_is_printed_alone() {
    let output = check(&["--schema"]);
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(json(&output), overspill::config::schema());
}

#[test]
fn a_pipe_gets_no_colours() {
    assert!(!text(&check(&[MANY])).contains('\u{1b}'));
}
