//! A sitting: answers, single steps, and its end by Ctrl-C.

use std::io::Write;
use std::process::{Child, Command, Output, Stdio};

use overspill::commission::record::{self, Record, Standing};
use serde_json::Value;

use super::support::Place;
use super::{Site, key_lines, until};

const HOME: &str = "[rules]\nfolder = \"rules\"\n\n\
    [point.grid]\nmeasures = \"grid\"\ntopic = \"house/grid\"\nunit = \"W\"\npositive = \"import\"\ninterval = \"2s\"\n\n\
    [point.solar]\nmeasures = \"solar\"\ntopic = \"house/solar\"\nunit = \"W\"\ninterval = \"2s\"\n\n\
    [load.water]\nname = \"Hot water\"\nkind = \"modulated\"\ntopic = \"tank/wanted\"\nsend = \"watts\"\nceiling_w = 3000\n\
    device_timeout = \"2m\"\nrefresh = \"30s\"\nfallback = \"off\"\n";

const CAUTIONS: &str = "[cautions]\nname = \"R. Fitter\"\ncompany = \"\"\nregistration = \"\"\ntelephone = \"\"\naddress = \"\"\n\
    agreed = true\n";

fn place(site: &Site) -> Place {
    let place = Place::with("Europe/London", HOME);
    let text = std::fs::read_to_string(place.path("home.toml")).unwrap();
    place.write("home.toml", &text.replace("1883", &site.port.to_string()));
    place
}

fn kept(place: &Place) -> Option<Record> {
    // While it is written the old one is there, whole.
    record::read(&place.path("home.commission.json")).unwrap()
}

/// The command at work.
fn started(place: &Place, args: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_overspill"))
        .args([&["commission", "home.toml"], args].concat())
        .current_dir(place.path("home.toml").parent().unwrap())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Ctrl-C.
fn interrupted(child: Child) -> Output {
    let status = Command::new("kill").args(["-s", "INT", &child.id().to_string()]).status().unwrap();
    assert!(status.success());
    child.wait_with_output().unwrap()
}

#[test]
fn a_file_of_answers_that_lacks_one_is_told_which_and_how() {
    let site = Site::new("nothing");
    let place = place(&site);
    place.write("answers.toml", "[cautions]\nname = \"R. Fitter\"\n");
    let ran = place.run(&["commission", "home.toml", "--answers", "answers.toml"]);
    assert_eq!(ran.code(), 2);
    let why = ran.err();
    assert!(
        why.contains("answers.toml has no answer to `cautions.company`") && why.contains("Add `"),
        "{why}"
    );
    let others = ["cautions.agreed", "sources.supply", "test-load.rated-w", "roof.off", "fuse.rating"];
    assert!(others.iter().all(|key| why.contains(&format!("`{key}`"))), "all are named at once: {why}");
    assert!(!why.contains("`cautions.name`"), "{why}");

    place.write("answers.toml", "[cautions]\nname = \n");
    let ran = place.run(&["commission", "home.toml", "--answers", "answers.toml"]);
    assert!(ran.code() == 2 && ran.err().contains("answers.toml is no TOML"), "{}", ran.err());
    let ran = place.run(&["commission", "home.toml", "--answers", "none.toml"]);
    assert!(ran.code() == 2 && ran.err().contains("none.toml can't be read"), "{}", ran.err());

    place.write("answers.toml", &CAUTIONS.replace("true", "\"perhaps\""));
    let ran = place.run(&["commission", "home.toml", "--answers", "answers.toml"]);
    assert!(
        ran.code() == 2 && ran.err().contains("`perhaps` does not answer `cautions.agreed`"),
        "{}",
        ran.err()
    );
}

#[test]
fn a_step_that_is_not_there_is_told_with_those_that_are() {
    let site = Site::new("nothing");
    let place = place(&site);
    let ran = place.run(&["commission", "home.toml", "--step", "roofs"]);
    assert_eq!(ran.code(), 2);
    let why = ran.err();
    assert!(why.contains("no step `roofs`"), "{why}");
    let there = ["cautions", "roof", "point.grid", "load.water", "fallback.water.network", "contacts"];
    assert!(there.iter().all(|id| why.contains(&format!(" {id}"))), "{why}");
    assert!(kept(&place).is_none(), "nothing was begun");
}

#[test]
fn one_step_as_json_with_the_dialogue_beside_it() {
    let site = Site::new("nothing");
    let place = place(&site);
    place.write("answers.toml", CAUTIONS);
    let args =
        ["commission", "home.toml", "--step", "cautions", "--answers", "answers.toml", "--format", "json"];
    let ran = place.run(&args);
    assert_eq!(ran.code(), 1, "the other steps are open: {}", ran.err());
    let told: Value = serde_json::from_str(&ran.out()).unwrap_or_else(|why| panic!("{why}: {}", ran.out()));
    insta::assert_snapshot!("sitting_keys", key_lines(&told));
    assert_eq!(told["complete"], false);
    assert!(ran.err().contains("R. Fitter"), "the dialogue is on standard error");
    let again = place.run(&["commission", "home.toml", "--sheet-only", "--format", "json"]);
    let again: Value = serde_json::from_str(&again.out()).unwrap();
    assert_eq!(key_lines(&again), key_lines(&told), "as JSON the sheet issued again says the same");
}

#[test]
fn ctrl_c_at_a_question_keeps_what_was_answered_and_the_next_run_goes_on_there() {
    let site = Site::new("nothing");
    let place = place(&site);
    let mut child = started(&place, &[]);
    let mut keys = child.stdin.take().unwrap();
    keys.write_all(b"R. Fitter\n\n\n\n\nyes\nmain switch\n").unwrap();
    keys.flush().unwrap();
    let stands = |step: &str| kept(&place).and_then(|r| r.test(step).map(|t| t.verdict));
    until("the first step", || stands("cautions") == Some(Standing::Good));
    let ended = interrupted(child);
    assert_eq!(ended.status.code(), Some(1), "{}", String::from_utf8_lossy(&ended.stderr));
    let out = String::from_utf8(ended.stdout).unwrap();
    assert!(out.contains("What was done is kept"), "{out}");
    assert_eq!(stands("sources"), Some(Standing::Open));
    assert_eq!(kept(&place).unwrap().who.unwrap().name, "R. Fitter");
    assert!(place.path("home.commission.html").exists());

    // Without any answer it asks at once for that of the next step.
    place.write("answers.toml", "");
    let ran = place.run(&["commission", "home.toml", "--answers", "answers.toml"]);
    assert_eq!(ran.code(), 2);
    assert!(ran.err().contains("no answer to `sources.supply`"), "{}", ran.err());
    assert_eq!(stands("cautions"), Some(Standing::Good));
}

#[test]
fn ctrl_c_gives_back_the_load_that_was_held() {
    let mut site = Site::new("overspill/wren/load/water/override");
    let place = place(&site);
    // All that it sees of a daemon.
    site.publish("overspill/wren/status", "up", true);
    site.publish("overspill/wren/load/water", "{\"on\": false, \"setpoint_w\": 0}", true);
    let mut child = started(&place, &["--step", "load.water"]);
    // Nothing is commanded before the cautions are acknowledged.
    child.stdin.as_mut().unwrap().write_all(b"R. Fitter\n\n\n\n\nyes\n").unwrap();
    let held = site.heard();
    assert_eq!((&held["want"], &held["by"]), (&Value::from("off"), &Value::from("commissioning")));
    assert!(held["for"].is_string(), "it would end by itself: {held}");
    let ended = interrupted(child);
    assert_eq!(site.heard()["want"], "auto");
    assert_eq!(ended.status.code(), Some(1), "{}", String::from_utf8_lossy(&ended.stderr));
}
