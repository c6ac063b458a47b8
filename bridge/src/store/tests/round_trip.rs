//! What was handed in comes out again.

use overspill_rules::home::{ExtraKind, InputId, PointId, SettingId, SettingValue};
use overspill_rules::input::{
    About, Amount, End, Input, OtherReading, OverrideRequest, Reading, Role, RuleSet, RuleSource,
    SettingRequest, Want,
};
use overspill_rules::output::{
    Asked, BalanceReport, BalanceValues, Decision, EnergyRow, Flow, Limit, Notice, Output, Record, Seen,
    Severity,
};
use overspill_rules::request::{Request, SpareTerms};
use overspill_rules::time::{Moment, Span, WallTime};
use tempfile::tempdir;

use super::super::{HalfHour, Journalled, Sample};
use super::*;

fn every_input() -> Vec<Input> {
    let request = OverrideRequest {
        load: WATER,
        want: Want::On,
        amount: Some(Amount::Amps(0.1 + 0.2)),
        end: Some(End::Until(WallTime(NOON + 3_600_000))),
        by: Some("Ann \"A\" Ωå\n".to_owned()),
        id: Some("7".to_owned()),
        retained: false,
    };
    let volts = Reading {
        point: PointId(1),
        extra: Some(ExtraKind::Volts),
        value: 241.7,
        device_time: Some(WallTime(NOON - 5)),
        retained: true,
    };
    let tank = OtherReading { input: InputId(0), value: -3.25, device_time: None, retained: true };
    vec![
        grid(1234.0),
        Input::Reading(volts),
        Input::Other(tank),
        Input::LoadState { load: CAR, plugged: Some(true), ready: None },
        Input::Unreadable { about: About::Point(PointId(1)), why: "no number".to_owned(), person: false },
        Input::Unreadable { about: About::Input(InputId(0)), why: String::new(), person: true },
        Input::Unreadable { about: About::Rule("car".to_owned()), why: "x".to_owned(), person: false },
        Input::Unreadable { about: About::Home, why: "x".to_owned(), person: false },
        Input::Override(OverrideRequest { end: Some(End::For(Span::hours(2))), ..request.clone() }),
        Input::Override(request),
        Input::Setting(setting_request("06:30")),
        Input::Unreadable { about: About::Setting(SettingId(0)), why: "x".to_owned(), person: true },
        Input::OutOfService { load: CAR, out: true, by: "Bo".to_owned() },
        Input::Rules(rules("car.take_spare(\"sun\")")),
        Input::Rules(RuleSet::default()),
        Input::ClockSet { offset_ms: NOON, believed: true },
        Input::Role(Role::Watch),
        Input::Island(true),
        Input::Reconnected,
        Input::Stopping,
        Input::Wake,
    ]
}

fn setting_request(value: &str) -> SettingRequest {
    SettingRequest {
        setting: SettingId(0),
        value: Some(SettingValue::Text(value.to_owned())),
        end: Some(End::For(Span::hours(20))),
        by: Some("Ann".to_owned()),
        retained: false,
    }
}

fn rules(text: &str) -> RuleSet {
    let source = |name: &str, text: &str| RuleSource { name: name.to_owned(), text: text.to_owned() };
    RuleSet { rules: vec![source("car", text), source("water", "")], library: vec![source("prices", text)] }
}

fn journalled(path: &Path, home: &Home) -> Vec<Journalled> {
    let mut all = Vec::new();
    reader(path).inputs(home, EVER.0, EVER.1, |entry| all.push(entry)).unwrap();
    all
}

#[test]
fn every_input_comes_back_in_order_with_its_stamp_and_its_group() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let inputs = every_input();
    let stamps: Vec<Stamp> = (0..inputs.len() as i64).map(|i| stamp(i / 4 * 100, i as u64 / 4)).collect();
    for (input, stamp) in inputs.iter().zip(&stamps) {
        // One commit for each: a group may be split over commits.
        db.write(&taken(|h| h.input(*stamp, input))).unwrap();
    }

    let back = journalled(&path, &home());
    assert_eq!(back.len(), inputs.len());
    for (i, (entry, input)) in back.iter().zip(&inputs).enumerate() {
        assert_eq!(entry.input.as_ref(), Ok(input));
        assert_eq!((entry.stamp.moment, entry.stamp.wall), (stamps[i].moment, stamps[i].wall));
        let same_group = i > 0 && stamps[i - 1].batch == stamps[i].batch;
        assert_eq!(i > 0 && back[i - 1].stamp.batch == entry.stamp.batch, same_group, "{i}");
    }
}

#[test]
fn numbers_come_back_as_they_came_in() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let values = [
        0.0,
        0.1 + 0.2,
        -1e300,
        5e-324,
        f64::MAX,
        f64::INFINITY,
        f64::NEG_INFINITY,
        9_007_199_254_740_993.0,
        1e19,
        f64::NAN,
    ];
    db.write(&taken(|h| values.iter().for_each(|v| h.input(stamp(0, 0), &grid(*v))))).unwrap();

    let back = reader(&path).samples("point.grid", EVER.0, EVER.1).unwrap();
    assert_eq!(back.len(), values.len());
    for (sample, value) in back.iter().zip(values) {
        match sample.value {
            Some(kept) => assert_eq!(kept.to_bits(), value.to_bits(), "{value}"),
            None => assert!(value.is_nan(), "{value}"),
        }
    }
}

#[test]
fn a_home_file_in_another_order_reads_the_same_things() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let out = Input::OutOfService { load: WATER, out: true, by: "Bo".to_owned() };
    let solar = Reading { point: PointId(1), extra: None, value: 5.0, device_time: None, retained: false };
    db.write(&taken(|h| [&out, &Input::Reading(solar)].iter().for_each(|i| h.input(stamp(0, 0), i))))
        .unwrap();

    let mut turned = home();
    turned.loads.reverse();
    turned.points.reverse();
    let back: Vec<_> = journalled(&path, &turned).into_iter().map(|e| e.input).collect();
    let turned_out = Input::OutOfService { load: LoadId(0), out: true, by: "Bo".to_owned() };
    assert_eq!(back, [Ok(turned_out), Ok(Input::Reading(Reading { point: PointId(0), ..solar }))]);

    turned.loads.clear();
    turned.points.clear();
    let back: Vec<_> = journalled(&path, &turned).into_iter().map(|e| e.input).collect();
    let missing = |what: &str| Err(format!("this home has no {what}"));
    assert_eq!(back, [missing("load `water`"), missing("point.solar")]);
}

#[test]
fn each_rule_text_is_stored_once() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    for round in 0..5 {
        db.write(&taken(|h| h.input(stamp(round, round as u64), &Input::Rules(rules("same"))))).unwrap();
    }
    let texts: i64 = db.conn.query_row("SELECT count(*) FROM rule_text", [], |r| r.get(0)).unwrap();
    assert_eq!(texts, 2, "the text and the empty one");
    assert_eq!(journalled(&path, &home())[4].input, Ok(Input::Rules(rules("same"))));
}

#[test]
fn samples_are_found_by_half_open_span_and_by_series() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    db.write(&taken(|h| {
        for i in 0..10 {
            h.input(stamp(i * 1000, i as u64), &grid(i as f64));
        }
        h.input(stamp(4000, 20), &every_input()[1]);
    }))
    .unwrap();

    let read = reader(&path);
    let found = read.samples("point.grid", WallTime(NOON + 3000), WallTime(NOON + 6000)).unwrap();
    assert_eq!(found.iter().map(|s| s.value.unwrap()).collect::<Vec<_>>(), [3.0, 4.0, 5.0]);
    let volts = Sample {
        at: WallTime(NOON + 4000),
        value: Some(241.7),
        device_at: Some(WallTime(NOON - 5)),
        retained: true,
    };
    assert_eq!(read.samples("point.solar.volts", EVER.0, EVER.1).unwrap(), [volts]);
    assert_eq!(read.series().unwrap(), ["point.grid", "point.solar.volts"]);
    assert_eq!(read.samples("point.none", EVER.0, EVER.1).unwrap(), []);
}

#[test]
fn a_decision_keeps_its_chain() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let terms = SpareTerms { at_least_w: Some(0.1), ..SpareTerms::default() };
    let asked = |request, rule: &str| Asked {
        rule: rule.to_owned(),
        load: CAR,
        request,
        reason: "because".to_owned(),
    };
    let full = Decision {
        load: CAR,
        at: Some(WallTime(NOON)),
        on: true,
        setpoint_w: 1380.5,
        rule: Some("car".to_owned()),
        reason: "spare solar".to_owned(),
        limited_by: Some(Limit::MinOn),
        requests: vec![asked(Request::TakeSpare(terms), "car"), asked(Request::Stop, "night")],
        readings: vec![Seen { name: "grid_w".to_owned(), value: None, age: Some(Span(450)) }],
    };
    db.write(&taken(|h| {
        h.output(stamp(0, 0), &Output::Record(Record::Decision(Box::new(full.clone()))));
        h.output(stamp(1000, 1), &decision(CAR, false));
        h.output(stamp(1000, 1), &decision(WATER, true));
    }))
    .unwrap();

    let read = reader(&path);
    let first = &read.decisions("car", EVER.0, WallTime(NOON + 1000)).unwrap()[..];
    assert_eq!(first.len(), 1);
    insta::assert_snapshot!(serde_json::to_string_pretty(&first[0]).unwrap(), @r#"
    {
      "at": 1749988800000,
      "load": "car",
      "on": true,
      "setpoint_w": 1380.5,
      "rule": "car",
      "reason": "spare solar",
      "limited_by": "min_on",
      "requests": [
        {
          "rule": "car",
          "request": {
            "take_spare": {
              "at_least_w": 0.1,
              "at_most_w": null,
              "keep_w": 0.0,
              "grid_up_to_w": 0.0
            }
          },
          "reason": "because"
        },
        {
          "rule": "night",
          "request": "stop",
          "reason": "because"
        }
      ],
      "readings": [
        {
          "name": "grid_w",
          "value": null,
          "age": 450
        }
      ]
    }
    "#);
    assert!(!read.last_decision("car", None).unwrap().unwrap().on);
    assert!(read.last_decision("car", Some(WallTime(NOON + 999))).unwrap().unwrap().on);
    assert_eq!(read.last_decision("car", Some(WallTime(NOON - 1))).unwrap(), None);
}

#[test]
fn balance_set_points_energy_and_notices_come_back() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let (mut db, _) = open(&path);
    let total = BalanceValues { grid_w: Some(-0.5), spare_w: Some(2000.0), ..BalanceValues::default() };
    let phase = BalanceValues { house_w: Some(7.0), ..BalanceValues::default() };
    let balance = BalanceReport { at: Some(WallTime(NOON - 200)), total, phases: vec![phase], flows: None };
    let energy = EnergyRow {
        flow: Flow::Load(CAR),
        start: WallTime(NOON),
        kwh: 0.75,
        covered_s: 1800.0,
        provisional: false,
        peak: None,
    };
    let notice = Notice {
        at: None,
        severity: Severity::Warning,
        code: "stale".to_owned(),
        text: "no grid reading".to_owned(),
        about: About::Load(WATER),
    };
    let outputs = [
        Output::Balance(balance),
        Output::Record(Record::Setpoint { load: CAR, watts: 1380.0 }),
        Output::Record(Record::Energy(energy)),
        Output::Notice(notice),
        Output::WaitUntil(Moment(1)),
    ];
    db.write(&taken(|h| outputs.iter().for_each(|o| h.output(stamp(0, 0), o)))).unwrap();

    let read = reader(&path);
    let rows = read.balance(EVER.0, EVER.1).unwrap();
    assert_eq!(rows.iter().map(|r| (r.phase, r.values)).collect::<Vec<_>>(), [(0, total), (1, phase)]);
    assert_eq!(read.setpoints("car", EVER.0, EVER.1).unwrap()[0].watts, 1380.0);
    let half_hour =
        HalfHour { flow: "load.car".to_owned(), start: WallTime(NOON), kwh: 0.75, covered_s: 1800.0 };
    assert_eq!(read.half_hours(EVER.0, EVER.1).unwrap(), [half_hour]);
    let told: (String, String) =
        db.conn.query_row("SELECT severity, about FROM notice", [], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
    assert_eq!(told, ("warning".to_owned(), "load.water".to_owned()));
}

#[test]
fn definitions_are_kept_with_the_run_from_which_they_hold() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    drop(open(&path));
    drop(open(&path));
    let mut changed = home();
    changed.points[0].scale = -1.0;
    let (db, _) = open_for(&path, &changed);

    let mut query = db.conn.prepare("SELECT name, run, json FROM definition ORDER BY name, run").unwrap();
    let rows = query.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap();
    let rows: Vec<(String, i64, String)> = rows.map(Result::unwrap).collect();
    let held: Vec<_> = rows.iter().map(|(name, run, _)| (name.as_str(), *run)).collect();
    let wanted = [("home", 1), ("input.tank-c", 1), ("point.grid", 1), ("point.grid", 3), ("point.solar", 1)];
    assert_eq!(held, wanted);
    assert!(rows[0].2.contains("\"points\":["), "{}", rows[0].2);
    assert!(rows[3].2.contains("\"scale\":-1.0"), "{}", rows[3].2);
    assert!(rows[4].2.contains("\"positive\":\"Generation\""), "{}", rows[4].2);
}
