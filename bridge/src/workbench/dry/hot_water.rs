//! Water that never gets hot: two made-up weeks with a simple tank, dull and sunny, show whether the rules lift it.

use std::sync::Arc;

use overspill_rules::home::{HeatsWater, Home, InputId, Load, LoadId};
use overspill_rules::input::RuleSet;
use overspill_rules::time::Span;

use super::DryWarning;
use super::situations::{COARSE, given};
use super::tank::{HOT_C, HOT_FOR, Tank};
use crate::config::has_words;
use crate::workbench::case::GivenLoad;
use crate::workbench::drive::{self, Plan};
use crate::workbench::moments;

/// A rule that lifts after seven days without heat does so in the eighth.
const LASTS: Span = Span::hours(8 * 24);

/// `too_hot` from here on is that of a tank: no room and no floor is meant to be as warm (common practice: floors 29 °C).
const TANK_C: f64 = 45.0;

/// Words in a name that say that water is heated. A weak sign: it only leads to the question what tells that it gets hot.
const NAMES: [&str; 6] =
    ["hot water", "water heater", "immersion", "immersion heater", "cylinder", "calorifier"];

/// Weeks by their words, first day, and a day's roof.
const WEEKS: [(&str, &str, &str); 2] = [
    ("in a dull week of winter", "2026-01-15 00:00", "(0 for 9h, 200 for 6h, 0 for 9h) x 8"),
    (
        "in a sunny week of summer",
        "2026-06-18 00:00",
        "(0 for 6h, ramp 0..4000 over 5h, 4000 for 4h, ramp 4000..0 over 5h, 0 for 4h) x 8",
    ),
];

/// A load that heats water, and what tells that the water gets hot.
struct Heater {
    load: LoadId,
    temperature: Option<InputId>,
    thermostat_c: Option<f64>,
}

/// Loads that heat water and that the rules never lift.
pub(super) fn lukewarm(home: &Home, rules: &RuleSet) -> Vec<DryWarning> {
    let mut found = Vec::new();
    let mut heaters = Vec::new();
    for (i, load) in home.loads.iter().enumerate() {
        match seen_by(load) {
            Some((None, None)) => found.push(nothing_tells(load)),
            Some((temperature, thermostat_c)) => {
                heaters.push(Heater { load: LoadId(i as u16), temperature, thermostat_c });
            }
            None => {}
        }
    }
    let coarse = Arc::new(looked_over(home));
    for (words, start, solar) in WEEKS {
        if heaters.is_empty() {
            break;
        }
        let hot = week(&coarse, rules, &heaters, (start, solar));
        let cold: Vec<Heater>;
        (cold, heaters) = heaters.into_iter().partition(|h| !hot.contains(&h.load));
        found.extend(cold.iter().map(|heater| never_hot(home, heater, words)));
    }
    found
}

/// By what it is seen that the water gets hot; `None` where the load heats no water or something else lifts it.
fn seen_by(load: &Load) -> Option<(Option<InputId>, Option<f64>)> {
    let by_bound = load.too_hot.filter(|t| t.above >= TANK_C && !load.is_charge_point());
    match load.heats_water {
        HeatsWater::No | HeatsWater::LiftedOtherwise => None,
        HeatsWater::Yes { temperature, thermostat_c } => Some((temperature, thermostat_c)),
        HeatsWater::NotSaid => match by_bound {
            Some(bound) => Some((Some(bound.input), None)),
            None => NAMES.iter().any(|w| has_words(&load.id, &load.name, w)).then_some((None, None)),
        },
    }
}

/// The loads whose water was held hot for an hour, or whose thermostat opened at 60 °C or more.
fn week(home: &Arc<Home>, rules: &RuleSet, heaters: &[Heater], (start, solar): (&str, &str)) -> Vec<LoadId> {
    let mut given = given(home, solar, "350");
    given.loads = heaters
        .iter()
        .map(|h| {
            let tank = Some((Tank::new(h.thermostat_c), h.temperature));
            (h.load, GivenLoad { tank, ..GivenLoad::default() })
        })
        .collect();
    let plan = Plan {
        start: moments::start(start, &home.timezone).unwrap_or_default(),
        lasts: LASTS,
        step: COARSE,
        clock_unset_for: Span::ZERO,
        given: &given,
        people: &[],
    };
    let story = drive::run(home, rules, plan);
    let hot = |h: &&Heater| {
        let Some(Some(tank)) = story.tanks.get(usize::from(h.load.0)) else { return false };
        let held = h.temperature.is_some() && tank.hot_for >= HOT_FOR;
        held || (tank.opened && h.thermostat_c.is_some_and(|c| c >= HOT_C))
    };
    heaters.iter().filter(hot).map(|h| h.load).collect()
}

/// The home with devices that suit long steps.
pub(super) fn looked_over(home: &Home) -> Home {
    let mut home = home.clone();
    let patient = COARSE.times(5.0);
    for point in &mut home.points {
        (point.interval, point.lag) = (Some(COARSE), Span::ZERO);
        (point.stale_after, point.gap_after) = (point.stale_after.max(patient), None);
    }
    home.inputs.iter_mut().for_each(|input| input.stale_after = input.stale_after.max(patient));
    for load in &mut home.loads {
        (load.device_timeout, load.refresh) = (None, patient);
    }
    home
}

fn nothing_tells(load: &Load) -> DryWarning {
    let id = &load.id;
    DryWarning {
        code: "lukewarm-water",
        message: format!(
            "by its name `{id}` heats water, and nothing tells whether that ever gets to {HOT_C} °C: lukewarm water can \
             grow legionella"
        ),
        help: format!(
            "say in [load.{id}] what tells: hot_water = {{ temperature = \"INPUT\" }} with an input that measures it, or \
             {{ thermostat_c = 60 }} where its own thermostat opens; \"lifted-otherwise\" where something else lifts it \
             once a week, \"none\" where it heats no water"
        ),
    }
}

fn never_hot(home: &Home, heater: &Heater, words: &str) -> DryWarning {
    let id = &home.load(heater.load).id;
    let by_input = heater.temperature.map(|input| {
        format!("{words} `{id}` was not at {HOT_C} °C for an hour, by `{}`", home.input(input).id)
    });
    let seen = match (by_input, heater.thermostat_c) {
        (Some(seen), Some(c)) if c >= HOT_C => format!("{seen}, and its thermostat did not open"),
        (Some(seen), _) => seen,
        (None, Some(c)) if c < HOT_C => {
            format!(
                "the thermostat of `{id}` opens at {c} °C, so that nothing tells that it ever gets to {HOT_C} °C"
            )
        }
        (None, _) => format!("{words} the thermostat of `{id}` did not open"),
    };
    DryWarning {
        code: "lukewarm-water",
        message: format!("{seen}: lukewarm water can grow legionella, which an hour at {HOT_C} °C ends"),
        help: format!(
            "let a rule lift it once a week, such as `if home.clock.weekday == \"sun\" && \
             home.clock.between(\"02:00\", \"06:00\") {{ water.run(\"hot lift\"); }}`; where something else does, \
             write hot_water = \"lifted-otherwise\" in [load.{id}]"
        ),
    }
}
