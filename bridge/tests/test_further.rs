//! What a test file may give beyond readings: what a load took before, service, a backup supply, settings, notices.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

fn test(home: &str) -> Output {
    let file = format!("tests/rule_tests/{home}/home.toml");
    Command::new(env!("CARGO_BIN_EXE_overspill")).args(["test", &file]).output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn what_was_before_service_backup_supply_and_settings_are_given() {
    let output = test("further");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
}

#[test]
fn each_mistake_is_told_at_its_place_with_the_nearest_right_name() {
    let output = test("further-wrong");
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(&output));
}
