#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
//! Comments and layout stay; what is turned twice is as it was.

use std::fs;
use std::path::Path;

use insta::assert_snapshot;
use overspill_rules::commission::Correction;
use overspill_rules::home::{Home, Unit};
use proptest::prelude::*;

use super::*;

const HOME: &str = r#"# Our home.
[home]
id = "wren"
timezone = "Europe/London"

[supply]
rating_a = 60

[mqtt]
url = "mqtt://127.0.0.1"

[point.grid]                 # the tail, hall cupboard
measures = "grid"
topic    = "house/meter"     # channel one
pointer  = "/a/power"
unit = "W"
positive = "import"          # the arrow points to the house
interval = "10s"

# The roof, since 2019.
[point.solar]
measures = "solar"
topic = "house/meter-of-the-roof-in-the-loft/channel-two"
unit = "W"
interval = "10s"

[load.heater]
kind = "switch"
topic = "heater/set"
send = "on-off"
rating_w = 2000
device_timeout = "2m"
fallback = "off"
turn = 1
unattended = true
feedback = { draw = { topic = "heater/draw", interval = "10s" } }   # its own meter
"#;

fn home_of(text: &str) -> Home {
    config::parse(text, Path::new("wren.toml")).map_err(|e| panic!("{}", e.render(Look::PLAIN))).unwrap().home
}

fn with(text: &str, point: &str, correction: Correction) -> Proposal {
    let home = home_of(text);
    let point = home.point_named(point).unwrap();
    propose(text, Path::new("wren.toml"), &home, &[(point, correction)]).unwrap()
}

fn exchanged(text: &str) -> String {
    let other = home_of(text).point_named("solar").unwrap();
    with(text, "grid", Correction::ExchangeWith(other)).after
}

#[test]
fn a_turned_sign_changes_one_word() {
    let proposal = with(HOME, "grid", Correction::FlipSign);
    assert_eq!(proposal.changes, ["grid: a positive number means export"]);
    assert_snapshot!(unified("wren.toml", HOME, &proposal.after, 80));
    assert_snapshot!(unified("wren.toml", HOME, &proposal.after, 40));
}

#[test]
fn an_exchange_takes_the_channel_along_and_the_comments_stay() {
    let after = exchanged(HOME);
    assert_snapshot!(unified("wren.toml", HOME, &after, 80));
    assert_snapshot!(unified("wren.toml", HOME, &after, 40));
}

#[test]
fn the_meter_of_a_load_is_corrected_within_its_load() {
    let scaled = with(HOME, "heater-draw", Correction::Scale(2.0));
    assert!(scaled.after.contains("feedback = { draw = { topic = \"heater/draw\", interval = \"10s\", scale = 2.0 } }   # its own meter"), "{}", scaled.after);
    let kilowatts = with(HOME, "heater-draw", Correction::Kilowatts);
    let home = home_of(&kilowatts.after);
    assert_eq!(home.point(home.point_named("heater-draw").unwrap()).unit, Unit::Kw);
}

#[test]
fn units_go_both_ways() {
    let there = with(HOME, "grid", Correction::Kilowatts).after;
    assert_eq!(with(&there, "grid", Correction::Watts).after, HOME);
}

#[test]
fn a_grid_that_measures_the_house_keeps_its_direction() {
    for positive in ["import", "export"] {
        let text = HOME.replace("\"import\"", &format!("\"{positive}\""));
        let proposal = with(&text, "grid", Correction::MeasuresHouse);
        let home = home_of(&proposal.after);
        let point = home.point(home.point_named("grid").unwrap());
        assert_eq!(point.scale * point.positive.sign(), if positive == "import" { 1.0 } else { -1.0 });
    }
}

#[test]
fn a_change_that_would_spoil_the_file_is_refused_in_words() {
    let text = HOME.replace("positive = \"import\" ", "scale = 900000\npositive = \"import\" ");
    let home = home_of(&text);
    let point = home.point_named("grid").unwrap();
    let wanted = [(point, Correction::Scale(10.0))];
    let why = propose(&text, Path::new("wren.toml"), &home, &wanted).unwrap_err().to_string();
    assert!(why.contains("would not be good") && why.contains("scale"), "{why}");
}

#[test]
fn it_is_written_with_the_old_file_kept_and_never_over_an_edited_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wren.toml");
    fs::create_dir(folder.path().join("rules")).unwrap();
    fs::write(&path, HOME).unwrap();
    let date = jiff::civil::date(2027, 4, 12);
    let proposal = with(HOME, "grid", Correction::FlipSign);
    let written = proposal.apply(&path, date).unwrap();
    assert!(written.kept.ends_with("wren.toml.before-2027-04-12"));
    assert_eq!(fs::read_to_string(&written.kept).unwrap(), HOME);
    assert_eq!(fs::read_to_string(&path).unwrap(), proposal.after);
    assert_eq!(written.to, fingerprint(&fs::read(&path).unwrap()));
    assert!(matches!(proposal.apply(&path, date), Err(Refused::Edited(_))));
    #[cfg(unix)]
    {
        let mode =
            |path: &Path| std::os::unix::fs::PermissionsExt::mode(&fs::metadata(path).unwrap().permissions());
        assert_eq!(mode(&written.kept), mode(&path), "whoever could read the old file can read the copy");
    }
    let back = with(&proposal.after, "grid", Correction::FlipSign).apply(&path, date).unwrap();
    assert!(back.kept.ends_with("wren.toml.before-2027-04-12-2"), "{:?}", back.kept);
    assert_eq!(fs::read_to_string(&path).unwrap(), HOME);
}

#[test]
fn an_exchange_of_two_is_made_once() {
    let home = home_of(HOME);
    let site = Site::of(&home);
    let report = |clamp: &overspill_rules::commission::Clamp| {
        let other = site.clamps.iter().find(|c| c.point != clamp.point).unwrap().own;
        let suspect = overspill_rules::commission::suspects(&site, clamp)
            .into_iter()
            .find(|s| s.causes == [overspill_rules::commission::Cause::Swapped(other)])
            .unwrap();
        overspill_rules::commission::PointReport {
            point: clamp.point,
            responses: Vec::new(),
            verdict: overspill_rules::commission::Verdict::Wrong(vec![suspect]),
            reads_times: None,
        }
    };
    let diagnosis = Diagnosis { points: site.clamps[..2].iter().map(report).collect() };
    assert_eq!(corrections(&site, &diagnosis), [(PointId(0), Correction::ExchangeWith(PointId(1)))]);
}

#[test]
fn a_point_and_the_meter_of_a_load_are_exchanged_with_all_that_is_the_channel_s() {
    let text = HOME.replace(
        "# The roof, since",
        "[point.grid.volts]          # of the meter\ntopic = \"house/meter\"\npointer = \"/a/volts\"\n\n# The roof, since",
    );
    let home = home_of(&text);
    let wanted = Correction::ExchangeWith(home.point_named("heater-draw").unwrap());
    let after = with(&text, "grid", wanted).after;
    let changed = home_of(&after);
    let volts = |home: &Home, id: &str| {
        home.point(home.point_named(id).unwrap()).has_extra(overspill_rules::home::ExtraKind::Volts)
    };
    assert!(volts(&home, "grid") && !volts(&changed, "grid") && volts(&changed, "heater-draw"), "{after}");
    assert_snapshot!(unified("wren.toml", &text, &after, 80));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    /// What is turned twice is the very same file.
    #[test]
    fn turning_twice_gives_the_file_back(
        point in prop_oneof![Just("grid"), Just("solar"), Just("heater-draw")],
        positive in prop_oneof![Just("import"), Just("export")],
        solar in prop_oneof![Just(""), Just("positive = \"generation\"\n"), Just("positive = \"use\"   # so\n")],
    ) {
        let text = HOME.replace("\"import\"", &format!("\"{positive}\""));
        let text = text.replace("[point.solar]\n", &format!("[point.solar]\n{solar}"));
        let once = with(&text, point, Correction::FlipSign).after;
        prop_assert_ne!(&once, &text);
        prop_assert_eq!(with(&once, point, Correction::FlipSign).after, text);
    }

    /// Scales multiply, to the five digits that are written.
    #[test]
    fn a_scale_is_multiplied(before in 0.01f64..100.0, factor in 0.05f64..20.0) {
        let text = HOME.replace("[point.solar]\n", &format!("[point.solar]\nscale = {before:?}\n"));
        let after = home_of(&with(&text, "solar", Correction::Scale(factor)).after);
        let scale = after.point(after.point_named("solar").unwrap()).scale;
        prop_assert!((scale / (before * factor) - 1.0).abs() < 1e-4);
    }

    /// Exchanging twice means the same home again.
    #[test]
    fn exchanging_twice_means_the_same(scale in 0.1f64..10.0, pointer in any::<bool>()) {
        let more = format!("scale = {scale:?}\n{}", if pointer { "pointer = \"/b\"\n" } else { "" });
        let text = HOME.replace("[point.solar]\n", &format!("[point.solar]\n{more}"));
        let once = exchanged(&text);
        let twice = exchanged(&once);
        let config = |text: &str| config::parse(text, Path::new("wren.toml")).unwrap();
        prop_assert_eq!(config(&twice).home.points, config(&text).home.points);
        prop_assert_eq!(format!("{:?}", config(&twice).routes), format!("{:?}", config(&text).routes));
        let roof = config(&once).home;
        prop_assert_eq!(roof.point(roof.point_named("grid").unwrap()).scale, scale);
    }
}
