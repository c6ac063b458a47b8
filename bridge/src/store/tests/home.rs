//! A small home for these tests.

use jiff::tz::TimeZone;
use overspill_rules::home::{
    CountedBy, Extra, ExtraKind, Fallback, Home, Kind, Load, Measures, Netting, OnMove, OtherInput, Point,
    Positive, SendAs, Setting, SettingValue, Side, Supply, Takes, Unit,
};
use overspill_rules::time::Span;

pub(super) fn home() -> Home {
    Home {
        id: "wren".to_owned(),
        name: "Wren Cottage".to_owned(),
        timezone: TimeZone::UTC,
        coordinates: None,
        supply: Supply {
            phases: 1,
            netting: Netting::Sum,
            volts: 230.0,
            rating_a: 60.0,
            export_limit_w: None,
        },
        circuits: Vec::new(),
        points: vec![
            point("grid", Measures::Grid(Side::Both), Positive::Import),
            point("solar", Measures::Solar, Positive::Generation),
        ],
        inputs: vec![OtherInput {
            id: "tank-c".to_owned(),
            unit: Some("C".to_owned()),
            stale_after: Span::minutes(5),
            plausible: Some((-10.0, 110.0)),
            scale: 1.0,
        }],
        loads: vec![
            load("car", Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 }, SendAs::Amps),
            load("water", Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 }, SendAs::Watts),
        ],
        battery: None,
        blind_a: None,
        settings: vec![ready_by()],
        tariff: None,
        restart_gap: Span::seconds(10),
    }
}

fn ready_by() -> Setting {
    Setting {
        id: "ready_by".to_owned(),
        name: "Car ready by".to_owned(),
        description: None,
        takes: Takes::Time,
        default: SettingValue::Text("07:00".to_owned()),
        expires_after: None,
    }
}

pub(super) fn point(id: &str, measures: Measures, positive: Positive) -> Point {
    Point {
        id: id.to_owned(),
        measures,
        unit: Unit::W,
        positive,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::seconds(30),
        gap_after: None,
        interval: None,
        plausible: None,
        power_factor: 1.0,
        extras: vec![Extra { kind: ExtraKind::Volts, scale: 1.0 }],
    }
}

fn load(id: &str, kind: Kind, send: SendAs) -> Load {
    Load {
        id: id.to_owned(),
        name: id.to_owned(),
        kind,
        send,
        phases: 1,
        phase: 1,
        turn: 1,
        circuit: None,
        counted_by: CountedBy::Main,
        start_after: Span::seconds(60),
        stop_after: Span::minutes(3),
        raise_after: Span::seconds(30),
        min_on: Span::minutes(5),
        min_off: Span::minutes(5),
        refresh: Span::seconds(30),
        device_timeout: None,
        settle: Span::seconds(30),
        ramp_w_per_s: None,
        fallback: Fallback::Off,
        unattended: true,
        too_hot: None,
        heats_water: overspill_rules::home::HeatsWater::NotSaid,
        own_sun_first: false,
        on_move: OnMove::Tell,
        reports_plugged: false,
        reports_ready: false,
    }
}
