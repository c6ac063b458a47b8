#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
//! What a record keeps, refuses and says.

use std::path::Path;

use insta::assert_snapshot;

use super::*;
use crate::commission::sample;

fn refused(text: &str) -> String {
    file::parse(text, Path::new("linnet.commission.json")).unwrap_err().to_string()
}

fn text(record: &Record) -> String {
    serde_json::to_string(record).unwrap()
}

#[test]
fn what_is_written_is_read_again_and_nothing_else_is_left_in_the_folder() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("linnet.commission.json");
    assert_eq!(read(&path).unwrap(), None);
    let record = sample::record();
    write(&path, &record).unwrap();
    assert_eq!(read(&path).unwrap(), Some(record.clone()));
    write(&path, &record).unwrap();
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_record_from_before_trials_were_kept_still_reads() {
    let mut old = serde_json::to_value(sample::record()).unwrap();
    for load in old["loads"].as_array_mut().unwrap() {
        let load = load.as_object_mut().unwrap();
        load.remove("trials");
        load.insert("timed_s".to_owned(), 118.0.into());
    }
    let record = file::parse(&old.to_string(), Path::new("linnet.commission.json")).unwrap();
    assert_eq!(record.loads[0].timed_s, Some(118.0));
    assert!(record.loads[0].trials.is_empty() && record.tests.iter().all(|t| t.earlier.is_empty()));
}

#[test]
fn what_came_of_a_step_is_kept_when_it_is_done_again() {
    let mut record = sample::record();
    let first = record.test("flashes").unwrap().clone();
    let second =
        Test { at: Some(sample::at("2027-04-12T15:00:00Z")), words: "Again.".to_owned(), ..first.clone() };
    record.put(second.clone());
    record.put(Test { words: "And again.".to_owned(), ..second });
    let held = record.test("flashes").unwrap();
    assert_eq!(held.words, "And again.");
    let earlier: Vec<&str> = held.earlier.iter().map(|e| e.words.as_str()).collect();
    assert_eq!(earlier, [first.words.as_str(), "Again."]);
    assert_eq!((held.earlier[0].at, &held.earlier[0].readings), (first.at.unwrap(), &first.readings));
    assert_eq!(file::parse(&text(&record), Path::new("a.json")).unwrap(), record);
}

#[test]
fn what_only_people_tell_is_missed_once() {
    let mut record = sample::record();
    record.who = None;
    record.acknowledged.clear();
    let told = |record: &Record| complete(record, &record.home_file).unwrap_err().len();
    assert_eq!(told(&record), 2, "nobody, and no cautions");
    record.tests.iter_mut().find(|t| t.id == "cautions").unwrap().verdict = Standing::Open;
    assert_eq!(told(&record), 1, "their step says it");
}

#[test]
fn what_could_not_be_read_again_is_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("linnet.commission.json");
    let good = sample::record();
    write(&path, &good).unwrap();
    let mut bad = good.clone();
    bad.registers[0].value = f64::NAN;
    assert!(matches!(write(&path, &bad), Err(RecordError::Malformed { .. })));
    assert_eq!(read(&path).unwrap(), Some(good));
}

#[test]
fn a_record_that_does_not_read_says_where_and_how_to_mend() {
    let record = sample::record();
    assert_snapshot!(refused("{"), @"the record linnet.commission.json does not read as one: EOF while parsing an object at line 1 column 1. Mend it there, or move the file away to begin a new record");
    assert_snapshot!(refused(&text(&record).replacen("\"v\":1", "\"v\":2", 1)), @"the record linnet.commission.json has the form 2, and this Overspill knows 1. Use the Overspill that wrote it, or a newer one");
    assert!(refused(&text(&record).replacen("\"fuse\"", "\"fuze\"", 1)).contains("unknown field `fuze`"));
    let missing: serde_json::Value = {
        let mut value = serde_json::to_value(&record).unwrap();
        value.as_object_mut().unwrap().remove("tests");
        value
    };
    assert!(refused(&missing.to_string()).contains("missing field `tests`"));
}

#[test]
fn a_record_holds_nothing_twice_and_no_made_up_fingerprint() {
    let mut twice = sample::record();
    twice.tests.push(twice.tests[0].clone());
    assert!(refused(&text(&twice)).contains("is there twice"));
    let mut print = sample::record();
    print.home_file = "abc".to_owned();
    assert!(refused(&text(&print)).contains("is no fingerprint"));
    let mut issues = sample::record();
    issue(&mut issues, sample::at("2027-04-12T10:00:00Z"));
    issues.issues[0].number = 2;
    assert!(refused(&text(&issues)).contains("numbered from 1"));
}

#[test]
fn the_fingerprint_is_sha_256() {
    // FIPS 180-4, example of one block: "abc".
    assert_eq!(fingerprint(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

#[test]
fn it_is_complete_only_while_every_step_is_good() {
    let good = sample::record();
    assert_eq!(complete(&good, &good.home_file), Ok(()));
    for verdict in [Standing::Open, Standing::Wrong, Standing::Lapsed] {
        for step in 0..good.tests.len() {
            let mut one = good.clone();
            one.tests[step].verdict = verdict;
            let missing = complete(&one, &one.home_file).unwrap_err();
            assert_eq!(missing.len(), 1, "{verdict:?} {step}");
            assert_eq!(missing[0].what, good.tests[step].title);
        }
    }
}

#[test]
fn it_is_not_complete_where_something_was_never_asked_or_proved() {
    let empty = Record::new(sample::of(), fingerprint(b"home"), sample::at("2027-04-12T08:00:00Z"));
    let told = complete(&empty, &empty.home_file).unwrap_err();
    let told: Vec<String> = told.iter().map(|w| format!("{}: {}; {}", w.what, w.why, w.next)).collect();
    assert_snapshot!(told.join("\n"), @"
    installer: nobody has said who does this; give name and firm
    cautions: nobody has acknowledged them; read and acknowledge them
    energy sources: none is listed; list each, and how it is isolated
    main fuse: its rating is not told; give the rating and how it is known
    supply meter: its registers were not read; read and enter them
    contacts: nobody to call is named; give a name and a telephone
    measuring points: none is listed; go through the steps
    ");
    let mut silent = sample::record();
    silent.tests.retain(|t| !t.proves.contains(&"point.solar".to_owned()));
    let told = complete(&silent, &silent.home_file).unwrap_err();
    assert!(told.iter().any(|w| w.what == "point solar"), "{told:?}");
}

#[test]
fn what_was_proved_lapses_with_the_home_file_and_holds_again_with_the_old_one() {
    let before = sample::record();
    let mut record = before.clone();
    let other = fingerprint(b"another");
    let bound = before.tests.iter().filter(|t| !t.proves.is_empty()).count();
    assert_eq!(lapse(&mut record, &other).len(), bound);
    assert!(lapse(&mut record, &other).is_empty(), "only once");
    assert_eq!(complete(&record, &other).unwrap_err().len(), bound);
    assert!(record.tests.iter().any(|t| t.verdict == Standing::Good), "a fuse does not lapse");
    assert!(lapse(&mut record, &before.home_file).is_empty());
    assert_eq!(record, before);
}

#[test]
fn a_proof_for_another_file_never_counts_even_unlapsed() {
    let mut record = sample::record();
    record.home_file = fingerprint(b"another");
    let missing = complete(&record, &record.home_file).unwrap_err();
    assert!(missing.iter().any(|w| w.why.contains("another home file")));
}

#[test]
fn an_issue_says_what_changed_since_the_last() {
    let mut record = sample::open();
    assert!(!issue(&mut record, sample::at("2027-04-12T12:00:00Z")).complete);
    assert!(record.issues[0].changed.is_empty());
    for test in &mut record.tests {
        test.verdict = Standing::Good;
    }
    let second = issue(&mut record, sample::at("2027-04-14T12:00:00Z")).clone();
    assert!(second.complete);
    assert_snapshot!(second.changed.join("\n"), @"Solar source off: good, was not proven yet");
}
