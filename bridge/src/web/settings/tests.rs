//! What is said of settings, and what their forms ask.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::path::Path;

use overspill_rules::home::{SettingId, SettingValue};
use overspill_rules::input::End;
use overspill_rules::output::SettingReport;
use overspill_rules::time::{Span, WallTime};

use super::{Change, now, request};
use crate::config::{self, Config};
use crate::daemon::Facts;

/// Noon in London on 2026-06-01.
const NOON: WallTime = WallTime(1_780_311_600_000);

fn home() -> Config {
    config::parse(include_str!("../../../../examples/dunnock/home.toml"), Path::new("home.toml")).unwrap()
}

#[test]
fn each_setting_is_told_with_who_changed_it_and_until_when() {
    let home = home().home;
    let mut facts = Facts::new(&home);
    let id = home.setting_named("car_kwh").unwrap();
    let report = SettingReport {
        setting: id,
        at: Some(NOON),
        value: SettingValue::Number(20.5),
        default: SettingValue::Number(12.0),
        until: Some(NOON + Span::hours(30)),
        by: Some("Ada".to_owned()),
    };
    facts.settings.insert(id, report);
    let told: Vec<String> = now::all(&home, &facts, NOON)
        .iter()
        .map(|s| format!("{}: {} ({}). {} Takes {}; {}.", s.name, s.is, s.kind, s.changed, s.takes, s.usual))
        .collect();
    insta::assert_snapshot!(told.join("\n"), @r#"
    Into the car by the morning: 20.5 kWh (number). Changed by Ada, until Tue 2 June, 18:00; its default is 12 kWh. Takes a number from 0 to 60 kWh in steps of 0.5; until it is changed again.
    Car ready by: 07:00 (time). This is its default. Takes a time of day such as "07:00"; until it is changed again.
    Hours of drying a day: 3 h (number). This is its default. Takes a number from 0 to 12 h in steps of 0.5; until it is changed again.
    Own sun first: no (flag). This is its default. Takes yes or no; until it is changed again.
    Nobody is here: no (flag). This is its default. Takes yes or no; as usual: 7 d.
    "#);
}

fn change(value: &str, lasts: &str, back: &str) -> Change {
    Change { value: value.to_owned(), lasts: lasts.to_owned(), back: back.to_owned() }
}

#[test]
fn each_kind_of_field_asks_what_it_says() {
    let home = home().home;
    let asked = |id: &str, change: Change| {
        let setting: SettingId = home.setting_named(id).unwrap();
        request(home.setting(setting), setting, &change, "Ada")
    };
    let kwh = asked("car_kwh", change("20,5", "12h", "")).unwrap();
    assert_eq!(kwh.value, Some(SettingValue::Number(20.5)));
    assert_eq!((kwh.end, kwh.by.as_deref()), (Some(End::For(Span::hours(12))), Some("Ada")));
    let time = asked("ready_by", change("06:30:00", "", "")).unwrap();
    assert_eq!((time.value, time.end), (Some(SettingValue::Text("06:30".to_owned())), None));
    let flag = asked("away", change("yes", "7d", "")).unwrap();
    assert_eq!(flag.value, Some(SettingValue::Flag(true)));
    let back = asked("car_kwh", change("whatever", "12h", "yes")).unwrap();
    assert_eq!((back.value, back.end), (None, None));

    assert!(asked("car_kwh", change("much", "", "")).unwrap_err().contains("is no number; it takes"));
    assert!(asked("away", change("perhaps", "", "")).unwrap_err().contains("neither yes nor no"));
    assert!(asked("away", change("yes", "500d", "")).unwrap_err().contains("at most"));
}
