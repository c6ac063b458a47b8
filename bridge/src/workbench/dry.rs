//! The dry run: every rule on made-up input, through the one controller, before it is trusted with a home.
//!
//! What fails at run time shows here, with the situation in words; and a whole made-up day of broken cloud shows what
//! would wear out a contactor and which rules fight over a load.

use std::collections::BTreeSet;
use std::sync::Arc;

use overspill_rules::home::{Home, LoadId, Measures, PointId};
use overspill_rules::input::RuleSet;
use overspill_rules::script::Fault;
use overspill_rules::tariff::Side;
use overspill_rules::time::{Span, WallTime};

use super::case::{Given, GivenLoad};
use super::drive::{self, Plan};
use super::moments;
use super::series::Series;
use super::story::{Story, Turn};

/// Starts a day that a contactor bears: 100,000 operations in ten years are 27 a day (common practice for the electrical
/// life of small contactors; the maker's sheet counts).
const STARTS_A_DAY: usize = 27;

/// Changes of the rule that holds a load, in a day, from which two rules are said to fight. A night rule and a day rule
/// change hands twice.
const HANDS_A_DAY: usize = 24;

/// What a dry run found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DryRun {
    /// Rules that fail, each fault once.
    pub failures: Vec<DryFailure>,
    /// What a careful person would look at.
    pub warnings: Vec<DryWarning>,
}

/// A rule that fails on made-up input.
#[derive(Debug, Clone, PartialEq)]
pub struct DryFailure {
    /// What is wrong and where.
    pub fault: Fault,
    /// The situation in words.
    pub when: String,
}

/// Something to look at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DryWarning {
    /// A short name of the kind of finding, stable across versions.
    pub code: &'static str,
    /// What would happen, in a sentence.
    pub message: String,
    /// How to mend it.
    pub help: String,
}

/// Runs the rules of a home through every situation. Rules with a fault of their own are told by the check and do not
/// run here.
pub fn dry_run(home: &Home, rules: &RuleSet) -> DryRun {
    let home = Arc::new(home.clone());
    let mut found = DryRun::default();
    for situation in situations(&home) {
        let plan = Plan {
            start: situation.start,
            lasts: situation.lasts,
            clock_unset_for: situation.clock_unset_for,
            given: &situation.given,
            people: &[],
        };
        let story = drive::run(&home, rules, plan);
        found.add_failures(&story, &home, &situation);
        if situation.lasts == DAY {
            found.warnings.extend(worn_contactors(&home, &story));
            found.warnings.extend(fights(&home, &story));
        }
    }
    found
}

impl DryRun {
    fn add_failures(&mut self, story: &Story, home: &Home, situation: &Situation) {
        for (at, fault) in &story.faults {
            if self.failures.iter().any(|f| f.fault == *fault) {
                continue;
            }
            let clock = moments::shown(*at, situation.start, &home.timezone);
            let when = format!("{}, at {clock}", situation.words);
            self.failures.push(DryFailure { fault: fault.clone(), when });
        }
    }
}

struct Situation {
    words: &'static str,
    start: WallTime,
    lasts: Span,
    clock_unset_for: Span,
    given: Given,
}

const DAY: Span = Span::hours(24);
const A_WHILE: Span = Span::minutes(10);

/// Broken cloud, made up: clouds of a minute or so, and one of ten minutes in each of eight hours.
const CLOUDS: &str = "0 for 6h, ramp 0..1500 over 2h, \
     ((4200 for 2m, 1000 for 1m, 4500 for 3m, 600 for 90s) x 6, 600 for 10m, 4500 for 5m) x 8, \
     ramp 1500..0 over 2h, 0";

/// A house with something that heats for four minutes in every hour.
const PEOPLE: &str = "(400 for 50m, 2400 for 4m, 400 for 6m) x 24";

/// Prices that change by the half hour, for a while below nothing, and are not known beyond 32 hours.
const PRICES: &str = "(0.25 for 2h, 0.08 for 2h, -0.02 for 1h, 0.3 for 3h) x 4, silent";

fn situations(home: &Home) -> Vec<Situation> {
    let at = |text: &str, words, solar: &str, base: &str| Situation {
        words,
        start: moments::start(text, &home.timezone).unwrap_or_default(),
        lasts: A_WHILE,
        clock_unset_for: Span::ZERO,
        given: given(home, solar, base),
    };
    let noon = |words| at("2026-06-18 13:00", words, "5000", "400");
    let mut silent = noon("while nothing has been heard of any device");
    silent.given.points.iter_mut().for_each(|(_, s)| *s = series("silent"));
    silent.given.inputs.clear();
    (silent.given.import_price, silent.given.export_price) = (None, None);
    let grids = home.points_measuring(Measures::Grid(overspill_rules::home::Side::Both));
    silent.given.points.extend(grids.map(|p| (p, series("silent"))));
    let mut stale = noon("after every device fell silent");
    stale.given.points.iter_mut().for_each(|(_, s)| *s = series("1000 for 3m, silent"));
    stale.given.inputs.iter_mut().for_each(|(_, s)| *s = series("20 for 3m, silent"));
    let mut unplugged = noon("with nothing plugged in");
    let out = GivenLoad { plugged: Some(series("no")), ready: None, takes: Some(series("0")) };
    unplugged.given.loads = (0..home.loads.len()).map(|i| (LoadId(i as u16), out.clone())).collect();
    let unset = Situation { clock_unset_for: A_WHILE, ..noon("while the clock is not set") };
    let clouds =
        Situation { lasts: DAY, ..at("2026-06-18 00:00", "on a day of broken cloud", CLOUDS, PEOPLE) };
    vec![
        noon("on a sunny noon"),
        at("2026-01-15 03:00", "in a winter night", "-5", "250"),
        at("2026-01-17 18:00", "on a winter evening with 12 kW in the house", "0", "12000"),
        silent,
        stale,
        unplugged,
        unset,
        clouds,
    ]
}

fn given(home: &Home, solar: &str, base: &str) -> Given {
    let points = home.points.iter().enumerate().filter_map(|(i, point)| {
        let says = match point.measures {
            Measures::Solar => solar,
            Measures::Battery => "0",
            _ => return None,
        };
        Some((PointId(i as u16), series(says)))
    });
    let inputs = home.inputs.iter().enumerate().map(|(i, input)| {
        let usual = input.plausible.map_or(20.0, |(low, high)| (low + high) / 2.0);
        (overspill_rules::home::InputId(i as u16), series(&usual.to_string()))
    });
    let listed = |side| home.tariff.as_ref().is_some_and(|t| t.is_listed(side)).then(|| series(PRICES));
    Given {
        base: Some(series(base)),
        points: points.collect(),
        inputs: inputs.collect(),
        import_price: listed(Side::Import),
        export_price: listed(Side::Export),
        loads: Vec::new(),
    }
}

/// Notations of this file; a test reads each of them.
fn series(text: &str) -> Series {
    Series::parse(text).unwrap_or_else(|_| Series::nothing())
}

fn worn_contactors(home: &Home, story: &Story) -> Vec<DryWarning> {
    let starts = |load: LoadId| story.turns(load).iter().filter(|(_, t, ..)| *t == Turn::Start).count();
    let each = (0..home.loads.len()).map(|i| LoadId(i as u16));
    let worn = each.map(|load| (load, starts(load))).filter(|(_, starts)| *starts > STARTS_A_DAY);
    worn.map(|(load, starts)| {
        let load = &home.load(load).id;
        DryWarning {
            code: "worn-contactor",
            message: format!("`{load}` starts {starts} times on a day of broken cloud"),
            help: format!(
                "a small contactor bears about 100,000 operations, 27 a day for ten years (common practice; its \
                 maker's sheet counts): give `{load}` a longer min_on, min_off or stop_after, or let its rule wait \
                 with `sustained`"
            ),
        }
    })
    .collect()
}

/// Loads over which two rules take turns again and again.
fn fights(home: &Home, story: &Story) -> Vec<DryWarning> {
    let mut found = Vec::new();
    for (i, reports) in story.loads.iter().enumerate() {
        let holders: Vec<&str> = reports.iter().filter_map(|(_, r)| r.rule.as_deref()).collect();
        let hands = holders.windows(2).filter(|w| matches!(w, [a, b] if a != b)).count();
        if hands <= HANDS_A_DAY {
            continue;
        }
        let names: BTreeSet<&str> = holders.into_iter().collect();
        let names: Vec<String> = names.into_iter().map(|n| format!("`{n}`")).collect();
        let load = &home.load(LoadId(i as u16)).id;
        found.push(DryWarning {
            code: "rules-fight",
            message: format!(
                "the rules {} take `{load}` from each other {hands} times on a day of broken cloud",
                names.join(" and ")
            ),
            help: "let the higher one ask for longer, with `sustained`, or put both conditions into one rule"
                .to_owned(),
        });
    }
    found
}

#[cfg(test)]
mod tests {
    #![allow(clippy::panic)]

    use std::path::Path;

    use overspill_rules::input::RuleSource;

    use super::*;

    const HOME: &str = include_str!("../../../examples/wren/home.toml");

    fn home() -> Home {
        match crate::config::parse(HOME, Path::new("home.toml")) {
            Ok(config) => config.home,
            Err(found) => panic!("{}", found.render(crate::config::Look::PLAIN)),
        }
    }

    fn tried(rules: &[(&str, &str)]) -> DryRun {
        let rules = rules.iter().map(|(name, body)| RuleSource {
            name: (*name).to_owned(),
            text: format!("fn decide(home) {{\n{body}\n}}"),
        });
        dry_run(&home(), &RuleSet { rules: rules.collect(), library: Vec::new() })
    }

    fn failure(body: &str) -> String {
        let found = tried(&[("car", body)]);
        let told = found.failures.iter().map(|f| format!("{}\n  {}", f.fault, f.when));
        told.collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn a_failure_shows_with_its_line_and_the_situation() {
        let told = [
            "let car = home.load(\"car\");\nif home.solar_w < 0 { let none = 0; 1 / none; }\ncar.take_spare(\"sun\");",
            "if !home.known(\"grid_w\") && home.clock.hour == 13 { this.missing; }\nhome.load(\"car\").take_spare(\"sun\");",
            "if home.clock.between(\"22:00\", \"22:05\") {\n    home.load(\"car\").run_at_w(home.solar_w - 5, \"late\");\n}",
        ];
        insta::assert_snapshot!(told.map(failure).join("\n\n"), @r#"
        car.rhai, line 3, column 39: a whole number is divided by zero
            if home.solar_w < 0 { let none = 0; 1 / none; }
                                                  ^
          in a winter night, at 03:00:00

        car.rhai, line 2, column 58: the map has no `missing`
            if !home.known("grid_w") && home.clock.hour == 13 { this.missing; }
                                                                     ^
          help: ask first: `if "missing" in ..`, or take something instead: `...get("missing") ?? 0`
          while nothing has been heard of any device, at 13:00:00

        car.rhai, line 3, column 22: `car` can't run at a negative amount (-5)
                home.load("car").run_at_w(home.solar_w - 5, "late");
                                 ^
          on a day of broken cloud, at 22:00:00
        "#);
        assert_eq!(failure("home.load(\"car\").take_spare(\"sun\");"), "");
    }

    #[test]
    fn a_rule_that_switches_with_every_cloud_is_warned_of() {
        let nervous = "if home.solar_w > 2000 { home.load(\"water\").run_at_w(3000, \"sun\"); }";
        let mut home = home();
        for load in &mut home.loads {
            (load.min_on, load.min_off) = (Span::seconds(10), Span::seconds(10));
        }
        let rule = RuleSource { name: "water".to_owned(), text: format!("fn decide(home) {{ {nervous} }}") };
        let found = dry_run(&home, &RuleSet { rules: vec![rule], library: Vec::new() });
        insta::assert_snapshot!(found.warnings.iter().map(|w| format!("{}: {}", w.code, w.message)).collect::<Vec<_>>().join("\n"), @"worn-contactor: `water` starts 97 times on a day of broken cloud");
    }

    #[test]
    fn rules_that_take_a_load_from_each_other_are_warned_of() {
        let found = tried(&[
            ("aa-sun", "if home.solar_w > 2000 { home.load(\"water\").run_at_w(3000, \"sun\"); }"),
            ("bb-less", "home.load(\"water\").run_at_w(500, \"always a little\");"),
        ]);
        insta::assert_snapshot!(found.warnings.iter().map(|w| format!("{}: {}", w.code, w.message)).collect::<Vec<_>>().join("\n"), @"rules-fight: the rules `aa-sun` and `bb-less` take `water` from each other 194 times on a day of broken cloud");
    }

    #[test]
    fn the_rules_of_the_example_are_found_good() {
        let (car, water, busy) = (
            include_str!("../../../examples/wren/rules/car.rhai"),
            include_str!("../../../examples/wren/rules/water.rhai"),
            include_str!("../../../examples/wren/rules/busy.rhai"),
        );
        let rule = |name: &str, text: &str| RuleSource { name: name.to_owned(), text: text.to_owned() };
        let rules = vec![rule("busy", busy), rule("car", car), rule("water", water)];
        assert_eq!(dry_run(&home(), &RuleSet { rules, library: Vec::new() }), DryRun::default());
    }

    #[test]
    fn every_notation_of_this_file_can_be_read() {
        for text in [CLOUDS, PEOPLE, "silent", "1000 for 3m, silent", "20 for 3m, silent", "no", "-5"] {
            assert!(Series::parse(text).is_ok(), "{text}");
        }
    }
}
