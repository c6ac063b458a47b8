//! What the household sets: taken or refused, read by rules, returned in time, kept over a restart, repeatable.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use overspill_rules::home::{Home, Setting, SettingId, SettingValue, Takes};
use overspill_rules::input::{End, Input, SettingRequest};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Output, Record, SettingReport};
use overspill_rules::time::{Span, WallTime};
use support::{Bench, START, pump, restarted};

const GUESTS: u16 = 0;
const MINUTES: u16 = 1;

fn setting(id: &str, takes: Takes, default: SettingValue, expires_after: Option<Span>) -> Setting {
    Setting { id: id.into(), name: id.into(), description: None, takes, default, expires_after }
}

fn home() -> Home {
    let minutes = Takes::Number { unit: "min".into(), low: 0.0, high: 90.0, step: Some(5.0) };
    Home {
        settings: vec![
            setting("guests", Takes::Flag, SettingValue::Flag(false), Some(Span::hours(24))),
            setting("minutes", minutes, SettingValue::Number(30.0), None),
        ],
        ..support::home(vec![pump()], false)
    }
}

const RULE: (&str, &str) = (
    "pump",
    r#"if home.setting("guests") && home.setting("minutes") > 10 { home.load("pump").run("guests are here"); }"#,
);

fn change(setting: u16, value: SettingValue) -> SettingRequest {
    SettingRequest {
        setting: SettingId(setting),
        value: Some(value),
        end: None,
        by: Some("Ada".into()),
        retained: false,
    }
}

fn guests() -> SettingRequest {
    change(GUESTS, SettingValue::Flag(true))
}

fn bench() -> Bench {
    let mut bench = Bench::new(home(), &[RULE]);
    bench.power(500.0, 0.0);
    bench
}

fn reports(bench: &Bench, id: u16) -> Vec<SettingReport> {
    let of = bench.outputs.iter().filter_map(|(_, o)| match o {
        Output::Setting(r) if r.setting == SettingId(id) => Some(r.clone()),
        _ => None,
    });
    of.collect()
}

#[test]
fn every_setting_is_given_out_at_the_start_and_only_changes_after_that() {
    let mut bench = bench();
    bench.hold(600, 500.0, 0.0);
    for id in [GUESTS, MINUTES] {
        let told = reports(&bench, id);
        assert_eq!(told.len(), 1);
        assert_eq!((&told[0].value, told[0].until, &told[0].by), (&told[0].default, None, &None));
    }
}

#[test]
fn a_change_is_read_at_once_and_returns_when_its_time_is_over() {
    let mut bench = bench();
    assert!(!bench.load(0).on);
    bench.input(Input::Setting(guests()));
    assert!(bench.load(0).on);
    let told = reports(&bench, GUESTS).pop().unwrap();
    assert_eq!(told.until, Some(START + Span::hours(24)), "as the home file says");
    assert_eq!(told.by.as_deref(), Some("Ada"));
    bench.hold(24 * 3600 - 1, 500.0, 0.0);
    assert!(bench.load(0).on);
    bench.after(1);
    assert!(!bench.load(0).on);
    let told = reports(&bench, GUESTS).pop().unwrap();
    assert_eq!((told.value, told.until, told.by), (SettingValue::Flag(false), None, None));
}

#[test]
fn a_change_may_say_its_own_end_or_have_none() {
    let mut bench = bench();
    let until = START + Span::minutes(7);
    bench.input(Input::Setting(SettingRequest { end: Some(End::Until(until)), ..guests() }));
    assert_eq!(reports(&bench, GUESTS).pop().unwrap().until, Some(until));
    bench.hold(7 * 60, 500.0, 0.0);
    assert_eq!(reports(&bench, GUESTS).pop().unwrap().value, SettingValue::Flag(false));

    bench.input(Input::Setting(change(MINUTES, SettingValue::Number(45.0))));
    bench.hold(3 * 24 * 3600, 500.0, 0.0);
    let told = reports(&bench, MINUTES).pop().unwrap();
    assert_eq!((told.value, told.until), (SettingValue::Number(45.0), None));
    bench.input(Input::Setting(SettingRequest { value: None, ..change(MINUTES, SettingValue::Flag(true)) }));
    assert_eq!(reports(&bench, MINUTES).pop().unwrap().value, SettingValue::Number(30.0));
}

#[test]
fn what_can_t_be_is_refused_in_words_and_changes_nothing() {
    let mut bench = bench();
    let past = Some(End::Until(WallTime(START.0 - 1)));
    let refused = [
        (SettingRequest { retained: true, ..guests() }, "send it without retain"),
        (SettingRequest { end: past, ..guests() }, "its end is already past"),
        (change(GUESTS, SettingValue::Number(1.0)), "1 is not what it takes: true or false"),
        (change(MINUTES, SettingValue::Number(91.0)), "91 min is not from 0 to 90"),
        (change(MINUTES, SettingValue::Number(7.0)), "between two steps of 5: 5 or 10"),
    ];
    for (request, why) in refused {
        bench.forget_outputs();
        bench.input(Input::Setting(request));
        let told = bench.told("setting_refused");
        assert!(told.len() == 1 && told[0].contains(why), "{why}: {told:?}");
        let changed = bench
            .outputs
            .iter()
            .any(|(_, o)| matches!(o, Output::Setting(_) | Output::Record(Record::Setting { .. })));
        assert!(!changed, "{why}");
    }
}

#[test]
fn a_restart_keeps_it_and_ends_it_in_time() {
    let mut bench = bench();
    bench.input(Input::Setting(guests()));
    bench.input(Input::Setting(change(MINUTES, SettingValue::Number(60.0))));
    let kept = bench.controller.kept();
    assert_eq!(kept.settings.len(), 2);
    for (hours, on) in [(23, true), (25, false)] {
        let mut later = restarted(home(), kept.clone(), &[RULE], START + Span::hours(hours));
        later.power(500.0, 0.0);
        later.hold(400, 500.0, 0.0);
        assert_eq!(later.load(0).on, on, "after {hours} h");
        assert_eq!(reports(&later, MINUTES).pop().unwrap().value, SettingValue::Number(60.0));
    }
}

#[test]
fn a_value_that_the_home_file_no_longer_allows_is_left_out() {
    let mut bench = bench();
    bench.input(Input::Setting(change(MINUTES, SettingValue::Number(60.0))));
    let kept = bench.controller.kept();
    let mut smaller = home();
    smaller.settings[1].takes = Takes::Number { unit: "min".into(), low: 0.0, high: 40.0, step: None };
    let later = restarted(smaller, kept, &[RULE], START);
    assert_eq!(reports(&later, MINUTES).pop().unwrap().value, SettingValue::Number(30.0));
}

#[test]
fn before_the_clock_is_set_it_holds_and_a_time_of_day_is_refused() {
    let mut bench = bench();
    bench.input(Input::Setting(guests()));
    let mut later = Bench::bare(home(), bench.controller.kept());
    later.input(Input::Rules(support::rules(&[RULE])));
    assert_eq!(reports(&later, GUESTS).pop().unwrap().value, SettingValue::Flag(true));
    later.input(Input::Setting(SettingRequest { end: Some(End::Until(START)), ..guests() }));
    assert!(later.told("setting_refused")[0].contains("say \"for\""));
}

#[test]
fn a_decision_tells_the_setting_that_it_rests_on() {
    let mut bench = bench();
    bench.input(Input::Setting(guests()));
    let decision = bench.decisions().pop().unwrap();
    let seen: Vec<_> = decision.readings.iter().map(|r| (r.name.as_str(), r.value)).collect();
    assert!(seen.contains(&("guests", Some(1.0))) && seen.contains(&("minutes", Some(30.0))), "{seen:?}");
}

#[test]
fn the_same_inputs_give_the_same_outputs() {
    let run = || {
        let mut bench = bench();
        bench.input(Input::Setting(guests()));
        bench.hold(25 * 3600, 500.0, 0.0);
        serde_json::to_string(&bench.outputs).unwrap()
    };
    assert_eq!(run(), run());
    let input = Input::Setting(guests());
    let written = serde_json::to_string(&input).unwrap();
    assert_eq!(serde_json::from_str::<Input>(&written).unwrap(), input);
    assert_eq!(Kept::default().settings.len(), 0);
}
