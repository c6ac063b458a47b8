//! The dry run as a whole: what it finds, in the words that people read, and what it does not.
#![allow(clippy::panic)]

use std::path::Path;

use overspill_rules::input::RuleSource;
use overspill_rules::time::Span;

use super::*;

const HOME: &str = include_str!("../../../../examples/wren/home.toml");

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
      in a night with everything plugged in, at 22:00:00
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
        include_str!("../../../../examples/wren/rules/car.rhai"),
        include_str!("../../../../examples/wren/rules/water.rhai"),
        include_str!("../../../../examples/wren/rules/busy.rhai"),
    );
    let rule = |name: &str, text: &str| RuleSource { name: name.to_owned(), text: text.to_owned() };
    let rules = vec![rule("busy", busy), rule("car", car), rule("water", water)];
    assert_eq!(dry_run(&home(), &RuleSet { rules, library: Vec::new() }), DryRun::default());
}

/// The example home with other text for its load `water`, and a tariff.
fn with(water: &str, more: &str) -> Home {
    let (before, _) = HOME.split_once("[load.water]").unwrap_or((HOME, ""));
    let text = format!(
        "{before}[load.water]\nkind = \"modulated\"\ntopic = \"tank/heater/wanted\"\nsend = \"watts\"\nceiling_w = 3000\n\
         device_timeout = \"2m\"\nfallback = \"off\"\nturn = 2\n{water}\n{more}"
    );
    match crate::config::parse(&text, Path::new("home.toml")) {
        Ok(config) => config.home,
        Err(found) => panic!("{}", found.render(crate::config::Look::PLAIN)),
    }
}

/// Warnings of one kind about a home whose rules have these bodies.
fn warned(code: &str, home: &Home, rules: &[(&str, &str)]) -> String {
    let rule = |(name, body): &(&str, &str)| RuleSource {
        name: (*name).to_owned(),
        text: format!("fn decide(home) {{\n{body}\n}}"),
    };
    let rules = RuleSet { rules: rules.iter().map(rule).collect(), library: Vec::new() };
    let found = dry_run(home, &rules);
    assert_eq!(found.failures, []);
    let told = found.warnings.iter().filter(|w| w.code == code);
    told.map(|w| format!("{}\n  {}", w.message, w.help)).collect::<Vec<_>>().join("\n")
}

const SPARE_HEAT: &str = "home.load(\"water\").take_spare(\"sun\");";
const LIFTED: &str = "let water = home.load(\"water\");\nif home.clock.weekday == \"sun\" && \
    home.clock.between(\"02:00\", \"06:00\") { water.run(\"hot lift\"); } else { water.take_spare(\"sun\"); }";

#[test]
fn water_that_stays_lukewarm_in_a_dull_week_is_warned_of() {
    let measured = with("hot_water = { temperature = \"tank_c\" }", "");
    insta::assert_snapshot!(warned("lukewarm-water", &measured, &[("water", SPARE_HEAT)]));
    let both = with("hot_water = { temperature = \"tank_c\", thermostat_c = 60 }", "");
    insta::assert_snapshot!(warned("lukewarm-water", &both, &[("water", SPARE_HEAT)]));
    let switched = with("hot_water = { thermostat_c = 62 }", "");
    insta::assert_snapshot!(warned("lukewarm-water", &switched, &[("water", SPARE_HEAT)]));
}

#[test]
fn a_thermostat_below_60_degrees_shows_nothing() {
    let low = with("hot_water = { thermostat_c = 55 }", "");
    insta::assert_snapshot!(warned("lukewarm-water", &low, &[("water", LIFTED)]));
}

#[test]
fn a_sunny_week_must_do_as_well() {
    let measured = with("hot_water = { temperature = \"tank_c\" }", "");
    let only_in_winter = "let water = home.load(\"water\");\n\
        if home.clock.month < 4 && home.clock.between(\"00:00\", \"06:00\") { water.run(\"winter\"); }\n\
        else if home.input(\"tank_c\") < 50.0 { water.take_spare(\"sun\"); }";
    insta::assert_snapshot!(warned("lukewarm-water", &measured, &[("water", only_in_winter)]));
}

#[test]
fn a_heater_by_its_name_alone_leads_to_a_question() {
    insta::assert_snapshot!(warned(
        "lukewarm-water",
        &with("name = \"Hot water\"", ""),
        &[("water", LIFTED)]
    ));
    assert_eq!(warned("lukewarm-water", &with("name = \"Water\"", ""), &[("water", SPARE_HEAT)]), "");
}

#[test]
fn water_that_is_lifted_once_a_week_is_not_warned_of() {
    for hot_water in [
        "hot_water = { temperature = \"tank_c\" }",
        "hot_water = { thermostat_c = 60 }",
        "hot_water = { temperature = \"tank_c\", thermostat_c = 60 }",
        "too_hot = { input = \"tank_c\", above = 70 }",
    ] {
        assert_eq!(warned("lukewarm-water", &with(hot_water, ""), &[("water", LIFTED)]), "", "{hot_water}");
    }
    for word in ["none", "lifted-otherwise"] {
        let home = with(&format!("hot_water = \"{word}\"\nname = \"Hot water\""), "");
        assert_eq!(warned("lukewarm-water", &home, &[("water", SPARE_HEAT)]), "", "{word}");
    }
    let floor = with("too_hot = { input = \"tank_c\", above = 29 }", "");
    assert_eq!(warned("lukewarm-water", &floor, &[("water", SPARE_HEAT)]), "");
}

#[test]
fn a_bound_of_heat_is_that_of_a_tank() {
    let bounded = with("too_hot = { input = \"tank_c\", above = 75 }", "");
    assert!(warned("lukewarm-water", &bounded, &[("water", SPARE_HEAT)]).contains("by `tank_c`"));
}

const TARIFF: &str = "[tariff]\ncurrency = \"GBP\"\nvat_percent = 5\nimport = 0.26\nzone = \"Europe/London\"\nexport = 0.15\n\
    [tariff.window.night]\nfrom = \"00:30\"\nto = \"05:30\"\nprice = 0.08\n";

#[test]
fn spare_power_that_sending_out_pays_more_for_is_warned_of() {
    let home = with("", TARIFF);
    insta::assert_snapshot!(warned("export-pays-more", &home, &[("water", SPARE_HEAT)]));
}

#[test]
fn spare_power_that_is_worth_more_at_home_is_not() {
    let home = with("", TARIFF);
    let careful = "if home.price.export_now < 0.08 { home.load(\"water\").take_spare(\"sun\"); }";
    assert_eq!(warned("export-pays-more", &home, &[("water", careful)]), "");
    let need = "home.load(\"water\").need_kwh(4, \"07:00\", \"a bath\");";
    assert_eq!(warned("export-pays-more", &home, &[("water", need)]), "");
    let chosen = "home.load(\"water\").need_kwh(4, \"07:00\", #{ own_sun_first: true }, \"a bath\");";
    assert_eq!(warned("export-pays-more", &home, &[("water", chosen)]), "");
    let preferred = with("own_sun_first = true", TARIFF);
    assert_eq!(warned("export-pays-more", &preferred, &[("water", SPARE_HEAT)]), "");
    let poor = with("", &TARIFF.replace("export = 0.15", "export = 0.05"));
    assert_eq!(warned("export-pays-more", &poor, &[("water", SPARE_HEAT)]), "");
    assert_eq!(warned("export-pays-more", &with("", ""), &[("water", SPARE_HEAT)]), "");
}

#[test]
fn a_rule_that_starts_what_needs_somebody_there_is_warned_of() {
    let oven = with("name = \"Bread oven\"", "");
    insta::assert_snapshot!(warned("starts-unattended", &oven, &[("water", SPARE_HEAT)]));
    let only_stops = "if home.import_w > 9000 { home.load(\"water\").stop(\"too much\"); }";
    assert_eq!(warned("starts-unattended", &oven, &[("water", only_stops)]), "");
    assert_eq!(warned("starts-unattended", &with("name = \"Pool\"", ""), &[("water", SPARE_HEAT)]), "");
}

#[test]
fn settings_prices_and_long_nights_are_tried_too() {
    let settings = "[setting.kwh]\ndefault = 5\nunit = \"kWh\"\nlow = 0\nhigh = 10\n[setting.who]\ndefault = \"all\"\n\
        choices = [\"all\", \"none\"]\n";
    let listed = "[tariff]\ncurrency = \"GBP\"\nimport_prices = { topic = \"prices\" }\nexport = 0.1\n";
    let home = with("", &format!("{listed}{settings}"));
    let told = [
        "let a = home.setting(\"kwh\"); if a == 0 { this.no_kwh; } home.load(\"car\").take_spare(\"sun\");",
        "if home.setting(\"who\") == \"none\" { this.nobody; } home.load(\"car\").take_spare(\"sun\");",
        "if home.price.import_now < 0 { this.negative; } home.load(\"car\").take_spare(\"sun\");",
        "if home.clock.month == 3 && home.clock.hour == 2 { this.spring; } home.load(\"car\").take_spare(\"sun\");",
        "if home.clock.hour == 6 { this.morning; } home.load(\"car\").take_spare(\"sun\");",
    ]
    .map(|body| {
        let text = format!("fn decide(home) {{ {body} }}");
        let rules = vec![RuleSource { name: "car".to_owned(), text }];
        let found = dry_run(&home, &RuleSet { rules, library: Vec::new() });
        let told = found.failures.iter().map(|f| format!("{}: {}", f.fault.message, f.when));
        told.collect::<Vec<_>>().join("\n")
    });
    insta::assert_snapshot!(told.join("\n"));
}
