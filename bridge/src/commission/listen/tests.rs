#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
//! What a made-up broker's traffic is taken for.

use std::path::Path;

use insta::assert_snapshot;
use overspill_rules::home::{ExtraKind, Measures, Side, Unit};

use super::*;
use crate::config::{self, Look};

/// Two minutes of a small home.
fn traffic() -> Heard {
    let mut heard = Heard::new(&["overspill/wren".to_owned()]);
    heard.take("old/meter/power", b"412", true, 0.5);
    for n in 0..120 {
        let at = f64::from(n);
        if n % 10 == 0 {
            let grid = if n < 60 { 840 + n % 7 } else { -1210 + n % 7 };
            let message = format!(
                r#"{{"power": {grid}, "voltage": 238.{}, "import": {}, "on": true}}"#,
                n % 9,
                48_211_000 + n
            );
            heard.take("house/grid", message.as_bytes(), false, at);
            heard.take(
                "roof/inverter/ac",
                format!("{:.3}", 1.2 + f64::from(n) * 0.01).as_bytes(),
                false,
                at + 0.2,
            );
        }
        if n % 30 == 0 {
            heard.take(
                "tank/temperature",
                format!("{:.1}", 48.0 + f64::from(n) / 60.0).as_bytes(),
                false,
                at,
            );
            heard.take("hall/lamp", b"on", false, at);
            heard.take("overspill/wren/load/heater", b"{\"watts\": 400}", false, at);
        }
        if n < 40 {
            heard.take("shed/socket", format!("{{\"apower\": {}}}", 60 + n % 3).as_bytes(), false, at);
        }
    }
    heard.take("cam/image", &vec![b'x'; 40_000], false, 60.0);
    heard.take("$SYS/broker/uptime", b"12", false, 60.0);
    heard.ended(120.0);
    heard
}

#[test]
fn what_was_heard_is_told() {
    assert_snapshot!(text(&traffic(), 80));
    assert_snapshot!(text(&traffic(), 40));
}

#[test]
fn a_home_file_is_drafted() {
    assert_snapshot!(draft(&traffic(), "mqtt://127.0.0.1:1883"));
}

/// What a person would write into the gaps.
fn filled(draft: &str) -> String {
    let lines = draft.lines().map(|line| {
        let Some((key, _)) = line.split_once(&format!("\"{}\"", draft::GAP)) else { return line.to_owned() };
        match key.trim().trim_end_matches(" =") {
            "id" => "id = \"wren\"".to_owned(),
            "timezone" => "timezone = \"Europe/London\"".to_owned(),
            "rating_a" => "rating_a = 60".to_owned(),
            "positive" => "positive = \"import\"".to_owned(),
            _ => line.to_owned(),
        }
    });
    lines.collect::<Vec<_>>().join("\n")
}

fn read(text: &str) -> config::Config {
    config::parse(text, Path::new("wren.toml"))
        .map_err(|e| panic!("{}\n{text}", e.render(Look::PLAIN)))
        .unwrap()
}

#[test]
fn the_draft_is_a_home_file_once_the_gaps_are_filled() {
    let text = draft(&traffic(), "mqtt://127.0.0.1:1883");
    let gaps = config::parse(&text, Path::new("wren.toml")).unwrap_err();
    assert_eq!(gaps.errors(), 4, "each gap is pointed at: {}", gaps.render(Look::PLAIN));
    let home = read(&filled(&text)).home;
    let told: Vec<_> = home.points.iter().map(|p| (p.id.as_str(), p.measures, p.unit)).collect();
    assert_eq!(told, [("grid", Measures::Grid(Side::Both), Unit::W), ("solar", Measures::Solar, Unit::Kw),]);
}

#[test]
fn what_reads_like_mains_volts_goes_to_its_point() {
    let mut heard = Heard::new(&[]);
    for n in 0..20 {
        let at = f64::from(n);
        let message = format!(r#"{{"power": {}, "l1": {{"voltage": 241.2}}, "voltage": 239.5}}"#, 400 + n);
        heard.take("meter/grid", message.as_bytes(), false, at);
        heard.take("roof/power", format!("{}", 1200 + n).as_bytes(), false, at);
        heard.take("roof/voltage", b"240.1", false, at);
        // Of nobody; and a house whose number is no mains.
        heard.take("hall/voltage", b"238.0", false, at);
        heard.take("consumption/power", format!("{}", 300 + n).as_bytes(), false, at);
        heard.take("consumption/voltage", b"51.8", false, at);
    }
    heard.ended(20.0);
    let text = draft(&heard, "mqtt://127.0.0.1:1883");
    let lines: Vec<&str> = text.lines().filter(|l| l.starts_with("volts")).collect();
    assert_eq!(
        lines,
        [
            "volts = { pointer = \"/voltage\" }  # reads like mains: 240 to 240",
            "volts = { topic = \"roof/voltage\" }  # reads like mains: 240 to 240",
        ]
    );
    let home = read(&filled(&text)).home;
    let has = |id: &str| home.points.iter().any(|p| p.id == id && p.has_extra(ExtraKind::Volts));
    assert!(has("grid") && has("solar") && !has("house"), "{text}");
}

#[test]
fn phases_by_name_make_three_points() {
    let mut heard = Heard::new(&[]);
    for n in 0..20 {
        for phase in 1..=3 {
            heard.take(
                &format!("mains/L{phase}/power"),
                format!("{}", 200 * phase + n).as_bytes(),
                false,
                f64::from(n),
            );
            let volts = format!("{}", 230 + phase);
            heard.take(&format!("mains/L{phase}/voltage"), volts.as_bytes(), false, f64::from(n));
        }
    }
    heard.ended(20.0);
    let text = draft(&heard, "mqtt://[::1]:1883");
    let home = read(&filled(&text)).home;
    assert_eq!(home.supply.phases, 3);
    for phase in 1..=3 {
        assert!(text.contains(&format!("volts = {{ topic = \"mains/L{phase}/voltage\" }}")), "{text}");
    }
    assert_eq!(home.points.iter().map(|p| p.phase).collect::<Vec<_>>(), [Some(1), Some(2), Some(3)]);
}

#[test]
fn nothing_in_a_name_breaks_the_draft_or_the_terminal() {
    let mut heard = Heard::new(&[]);
    for topic in
        ["grid/\u{1b}[2Jpower", "grid/\"quoted\"/power", "grid/back\\slash/power", "roof \u{1f600}/power"]
    {
        (0..9).for_each(|n| heard.take(topic, format!("{}", 300 + n).as_bytes(), false, f64::from(n)));
    }
    heard.ended(9.0);
    assert!(!text(&heard, 40).contains('\u{1b}'));
    read(&filled(&draft(&heard, "mqtt://127.0.0.1")));
}

#[test]
fn a_flood_costs_counting_only() {
    let mut heard = Heard::new(&[]);
    let wide = format!("{{{}}}", (0..50).map(|n| format!("\"k{n}\": {n}")).collect::<Vec<_>>().join(","));
    for n in 0..4500 {
        heard.take(&format!("flood/{n}"), wide.as_bytes(), false, 1.0);
        heard.take(&format!("{n}/{}", "x".repeat(300)), b"1", false, 1.0);
    }
    let deep = format!("{}1{}", "[".repeat(100_000), "]".repeat(100_000));
    heard.take("flood/1", deep.as_bytes(), false, 2.0);
    heard.ended(3.0);
    assert!(heard.topics() <= 4000 && heard.streams().count() <= 2000);
    assert!(heard.beyond > 4500 && heard.large == 1);
    assert!(text(&heard, 80).contains("Values or topics beyond"));
}

#[test]
fn an_address_that_is_none_is_told() {
    assert_eq!(
        link_to("broker").unwrap_err().to_string(),
        "\"broker\" is no address of a broker: write mqtt://HOST:PORT or mqtts://HOST:PORT"
    );
}
