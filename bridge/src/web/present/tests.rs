//! Laws of the picture, and what is said beside it.
#![allow(clippy::unwrap_used)]

use std::path::Path;

use overspill_rules::home::{Home, LoadId};
use overspill_rules::output::{BalanceReport, BalanceValues, DrawSource, Flows, Limit, LoadReport};
use overspill_rules::time::WallTime;
use proptest::prelude::*;

use super::cascade::{Does, cascade};
use super::*;
use crate::config;

fn any_steps() -> impl Strategy<Value = Vec<Does>> {
    let gives = prop::collection::vec(prop::option::of(0.0..9000.0_f64), 0..3);
    let takes = prop::collection::vec(prop::option::of(0.0..7000.0_f64), 1..13);
    (gives, takes).prop_map(|(gives, takes)| {
        gives.into_iter().map(Does::Gives).chain(takes.into_iter().map(Does::Takes)).collect()
    })
}

proptest! {
    #[test]
    fn what_comes_in_is_what_is_taken_and_what_leaves(steps in any_steps()) {
        let drawn = cascade(&steps);
        let comes = drawn.comes().map_or(0.0, |r| r.watts());
        let leaves = drawn.leaves().map_or(0.0, |r| r.watts());
        prop_assert!((drawn.edge_w + comes - drawn.taken_w - leaves).abs() < 1e-6);
        prop_assert!(drawn.full_w >= drawn.edge_w.max(drawn.taken_w));
    }

    #[test]
    fn each_step_begins_where_the_one_before_ended(steps in any_steps()) {
        let drawn = cascade(&steps);
        let takes = steps.iter().zip(&drawn.stages).filter(|(does, _)| matches!(does, Does::Takes(_)));
        let mut at = 0.0;
        for own in takes.filter_map(|(_, stage)| stage.own) {
            prop_assert_eq!(own.from, at);
            at = own.to;
        }
    }

    #[test]
    fn what_falls_past_a_step_is_what_the_steps_below_get(steps in any_steps()) {
        let drawn = cascade(&steps);
        for (does, stage) in steps.iter().zip(&drawn.stages) {
            if let (Does::Takes(_), Some(past)) = (does, stage.past) {
                prop_assert!((past.to - drawn.edge_w).abs() < 1e-9);
            }
        }
    }
}

/// 2026-06-18 11:12:40 in London.
const AT: WallTime = WallTime(1_781_777_560_000);

fn home() -> Home {
    config::parse(include_str!("../../demo/files/home.toml"), Path::new("home.toml")).unwrap().home
}

fn report(load: u16, setpoint_w: f64, reason: &str) -> LoadReport {
    LoadReport {
        load: LoadId(load),
        at: Some(AT),
        on: setpoint_w > 0.0,
        setpoint_w,
        setpoint_a: None,
        draw_w: Some(setpoint_w),
        draw_source: DrawSource::Meter,
        rule: None,
        reason: reason.to_owned(),
        limited_by: None,
        waits_until: None,
        override_until: None,
        out_of_service: None,
    }
}

fn facts(flows: Option<Flows>) -> Facts {
    let mut facts = Facts::new(&home());
    (facts.wall, facts.connected) = (Some(AT), true);
    let total = BalanceValues { spare_w: Some(3727.4), ..BalanceValues::default() };
    facts.balance = Some(BalanceReport { at: Some(AT), total, phases: Vec::new(), flows });
    facts.loads[0].report = Some(report(0, 420.0, "six hours a day, when power is spare"));
    facts.loads[1].report = Some(LoadReport {
        setpoint_a: Some(13.0),
        override_until: Some(AT),
        ..report(1, 3094.0, "switched on by Ada")
    });
    facts.loads[2].report = Some(LoadReport {
        waits_until: Some(AT),
        limited_by: Some(Limit::StartWait),
        ..report(2, 0.0, "<b>not</b> enough spare power")
    });
    facts
}

fn flows(grid_w: f64, solar_w: f64, loads_w: [f64; 3]) -> Flows {
    let base_w = grid_w + solar_w - loads_w.iter().sum::<f64>();
    Flows {
        grid_w,
        solar_w: Some(solar_w),
        battery_w: None,
        base_w: Some(base_w),
        loads_w: loads_w.map(Some).to_vec(),
    }
}

/// All words of a step: name, watts, sentence.
fn told(present: &Present) -> Vec<String> {
    present.steps.iter().map(|s| format!("{} | {} | {}", s.name, s.watts, s.sentence)).collect()
}

#[test]
fn a_bright_noon_is_told_from_the_roof_to_the_street() {
    let present = steps::present(&home(), &facts(Some(flows(-18.4, 4208.4, [420.2, 3089.0, 0.0]))));
    insta::assert_snapshot!(told(&present).join("\n"), @"
    Roof | 4208 W | what the sun gives now
    House | 681 W | all that runs by itself
    Pond pump | 420 W | On: six hours a day, when power is spare.
    Car | 3089 W | Set to 13 A: switched on by Ada, until 11:12.
    Hot water | 0 W | Off: <b>not</b> enough spare power; starts about 11:12 if the sun holds.
    Street | 18 W | leaves, because nobody here takes it
    ");
    assert_eq!(present.headline, "The roof makes 4208 W; 18 W leaves to the street.");
}

#[test]
fn the_figures_shown_add_up_to_the_watt() {
    let figure = |step: &Step| -> i64 {
        let digits: String = step.watts.chars().filter(char::is_ascii_digit).collect();
        digits.parse().unwrap()
    };
    for grid_w in [-18.5, -0.4, 0.4, 2210.5, 8100.5] {
        let present = steps::present(&home(), &facts(Some(flows(grid_w, 4208.4, [420.4, 3089.4, 100.4]))));
        let figures: Vec<i64> = present.steps.iter().map(figure).collect();
        let (roof, street) = (figures[0], figures[figures.len() - 1]);
        let uses: i64 = figures[1..figures.len() - 1].iter().sum();
        assert_eq!(roof + if grid_w < 0.0 { -street } else { street }, uses, "{:?}", told(&present));
    }
}

#[test]
fn what_is_not_known_is_said_and_not_drawn() {
    let present = steps::present(&home(), &facts(None));
    assert!(present.pictures.iter().all(|p| p.shapes.is_empty()));
    assert_eq!(present.headline, "What flows now is not known.");
    assert_eq!(present.doubt.as_deref(), Some("There is no fresh reading of the grid."));
    let half = Flows { solar_w: None, base_w: None, ..flows(300.0, 0.0, [0.0, 0.0, 0.0]) };
    let present = steps::present(&home(), &facts(Some(half)));
    assert!(
        present.pictures.iter().all(|p| p.shapes.is_empty()),
        "a picture without the roof would be a wrong one"
    );
    assert_eq!(present.steps[0].watts, "not known");
}

#[test]
fn words_of_rules_and_devices_are_text_and_nothing_else() {
    let present = steps::present(&home(), &facts(Some(flows(-18.4, 4208.4, [420.2, 3089.0, 0.0]))));
    let page = present.render().unwrap();
    assert!(!page.contains("<b>not</b>"), "{page}");
    assert!(page.contains("&#60;b&#62;not") || page.contains("&lt;b&gt;not"), "{page}");
}

#[test]
fn power_that_is_bought_rises_to_the_step_that_takes_it() {
    let present = steps::present(&home(), &facts(Some(flows(8100.0, 900.0, [0.0, 0.0, 0.0]))));
    let classes: Vec<&str> = present.pictures[0].shapes.iter().map(|s| s.class).collect();
    insta::assert_snapshot!(classes.join(" "), @"block fall fall block bought rise ledge bought");
}
