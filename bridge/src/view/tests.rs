//! What people see, at two widths.
#![allow(clippy::unwrap_used)]

use std::path::Path;

use overspill_rules::input::About;
use overspill_rules::output::{BalanceReport, BalanceValues, Limit, RuleReport};

use super::*;
use crate::config;

/// 2026-06-18 11:12:40 in London.
const AT: WallTime = WallTime(1_781_777_560_000);

fn home() -> Home {
    config::parse(include_str!("../demo/files/home.toml"), Path::new("home.toml")).unwrap().home
}

fn report(load: u16, setpoint_w: f64, draw_w: Option<f64>, reason: &str) -> LoadReport {
    LoadReport {
        load: LoadId(load),
        at: Some(AT),
        on: setpoint_w > 0.0,
        setpoint_w,
        setpoint_a: None,
        draw_w,
        draw_source: DrawSource::Meter,
        rule: None,
        reason: reason.to_owned(),
        limited_by: None,
        waits_until: None,
        override_until: None,
        out_of_service: None,
    }
}

fn bright() -> Facts {
    let mut facts = Facts::new(&home());
    facts.wall = Some(AT);
    facts.connected = true;
    let total = BalanceValues {
        grid_w: Some(-18.4),
        solar_w: Some(4208.0),
        house_w: Some(4189.6),
        import_w: Some(0.0),
        export_w: Some(18.4),
        loads_w: Some(3709.0),
        base_w: Some(480.6),
        spare_w: Some(3727.4),
        ..BalanceValues::default()
    };
    facts.balance = Some(BalanceReport { at: Some(AT), total, phases: Vec::new(), flows: None });
    facts.loads[0].report = Some(report(0, 420.0, Some(420.0), "six hours a day, when power is spare"));
    let car = LoadReport {
        setpoint_a: Some(13.0),
        rule: Some("car".to_owned()),
        limited_by: Some(Limit::Spare),
        ..report(1, 3094.0, Some(3089.0), "charges from spare solar; no more than is spare")
    };
    facts.loads[1].report = Some(car);
    let water = LoadReport {
        override_until: Some(AT),
        draw_source: DrawSource::Estimate,
        ..report(2, 200.0, Some(200.0), "switched on by Ada")
    };
    facts.loads[2].report = Some(water);
    facts
}

/// The house alone uses more than the roof makes, and something is wrong.
fn dull() -> Facts {
    let mut facts = bright();
    if let Some(balance) = &mut facts.balance {
        balance.total = BalanceValues {
            grid_w: Some(8100.0),
            solar_w: Some(900.0),
            base_w: Some(9000.0),
            loads_w: Some(0.0),
            spare_w: Some(-8100.0),
            ..BalanceValues::default()
        };
    }
    for load in &mut facts.loads {
        if let Some(report) = &mut load.report {
            *report = LoadReport {
                on: false,
                draw_w: Some(0.0),
                reason: "not enough spare power".into(),
                ..report.clone()
            };
        }
    }
    if let Some(report) = &mut facts.loads[0].report {
        report.reason = "it must run; it rests a while before it starts again".into();
        report.waits_until = Some(WallTime(AT.0 + 180_000));
    }
    facts.rules.insert(
        "water".into(),
        RuleReport {
            rule: "water".into(),
            at: Some(AT),
            state: RuleState::Failed,
            message: Some("line 4, column 9: there is no input called tank\x1b[31m".into()),
            line: Some(4),
            column: Some(9),
            requests: Vec::new(),
        },
    );
    facts.take_notice(Notice {
        at: Some(AT),
        severity: Severity::Warning,
        code: "plausible".into(),
        text: "grid: a value of 91,000 W is out of the plausible range and was refused; check the scale"
            .into(),
        about: About::Home,
    });
    facts
}

fn picture(facts: &Facts, columns: usize, ascii: bool) -> String {
    let lines = Scene::new(&home()).lines(facts, Canvas { columns, ascii });
    assert!(lines.iter().all(|line| line.chars().count() <= columns), "a line is too wide");
    lines.join("\n")
}

#[test]
fn a_bright_hour_at_80_columns() {
    insta::assert_snapshot!(picture(&bright(), 80, false));
}

#[test]
fn a_bright_hour_at_48_columns() {
    insta::assert_snapshot!(picture(&bright(), 48, false));
}

#[test]
fn a_dull_hour_at_80_columns_in_plain_letters() {
    insta::assert_snapshot!(picture(&dull(), 80, true));
}

#[test]
fn a_dull_hour_at_48_columns() {
    insta::assert_snapshot!(picture(&dull(), 48, false));
}

#[test]
fn where_nothing_is_known_no_0_is_shown() {
    let text = picture(&Facts::new(&home()), 80, false);
    assert!(!text.contains("0 W"), "{text}");
    insta::assert_snapshot!(text);
}

#[test]
fn a_very_narrow_terminal_gets_no_bars_but_every_figure() {
    let text = picture(&bright(), 30, false);
    assert!(!text.contains('█') && text.contains("4208 W") && text.contains("3089 W"), "{text}");
}
