//! The homes of the bench, as the controller knows them.

use jiff::tz::TimeZone;
use overspill_rules::home::{
    Battery, CountedBy, Fallback, Home, InputId, Kind, Load, LoadId, Measures, Netting, OnMove, OtherInput,
    Point, Positive, SendAs, Side, Supply, Unit,
};
use overspill_rules::time::Span;

use super::plants::VOLTS;

/// Place of the grid point.
pub const GRID: u16 = 0;
/// Place of the solar point.
pub const SOLAR: u16 = 1;
/// Place of the battery point, where there is one.
pub const BATTERY: u16 = 2;

/// What a home of the bench looks like.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    /// The car has a meter of its own.
    pub car_metered: bool,
    /// The heater has a meter of its own.
    pub heater_metered: bool,
    /// The heater is served first.
    pub heater_first: bool,
    /// Seconds between grid readings.
    pub every_s: i64,
    /// Lag as the home file declares it, in seconds.
    pub declared_lag_s: i64,
    /// A battery, and whether it is served first.
    pub battery_first: Option<bool>,
}

impl Plan {
    /// Places of the loads' meters: car, heater.
    pub fn meters(&self) -> [Option<u16>; 2] {
        let first = if self.battery_first.is_some() { BATTERY + 1 } else { BATTERY };
        let car = self.car_metered.then_some(first);
        let heater = self.heater_metered.then_some(first + u16::from(self.car_metered));
        [car, heater]
    }

    /// The home.
    pub fn home(&self) -> Home {
        let stale = Span::seconds(3 * self.every_s + 2 * self.declared_lag_s + 10);
        let main = |id: &str, measures, positive| Point {
            lag: Span::seconds(self.declared_lag_s),
            stale_after: stale,
            interval: Some(Span::seconds(self.every_s)),
            ..point(id, measures, positive)
        };
        let mut points = vec![
            main("grid", Measures::Grid(Side::Both), Positive::Import),
            main("solar", Measures::Solar, Positive::Generation),
        ];
        if self.battery_first.is_some() {
            points.push(main("battery", Measures::Battery, Positive::Discharge));
        }
        if self.car_metered {
            points.push(point("car-meter", Measures::Load(LoadId(0)), Positive::Use));
        }
        if self.heater_metered {
            points.push(point("water-meter", Measures::Load(LoadId(1)), Positive::Use));
        }
        let (car_turn, heater_turn) = if self.heater_first { (2, 1) } else { (1, 2) };
        Home {
            id: "bench".to_owned(),
            name: "Bench".to_owned(),
            timezone: TimeZone::UTC,
            coordinates: None,
            supply: Supply {
                phases: 1,
                netting: Netting::Sum,
                volts: VOLTS,
                rating_a: 60.0,
                export_limit_w: None,
            },
            circuits: Vec::new(),
            points,
            inputs: vec![charge_input()],
            loads: vec![car(car_turn), heater(heater_turn)],
            battery: self.battery_first.map(|first| Battery {
                first,
                charge_limit_w: 3000.0,
                charge_input: Some(InputId(0)),
                full_above: 99.5,
            }),
            blind_a: None,
            settings: Vec::new(),
            tariff: None,
            restart_gap: Span::ZERO,
        }
    }
}

fn point(id: &str, measures: Measures, positive: Positive) -> Point {
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
        interval: Some(Span::seconds(2)),
        plausible: None,
        power_factor: 1.0,
        extras: Vec::new(),
    }
}

fn charge_input() -> OtherInput {
    OtherInput {
        id: "charge".to_owned(),
        unit: Some("%".to_owned()),
        stale_after: Span::minutes(5),
        plausible: Some((0.0, 100.0)),
        scale: 1.0,
    }
}

fn car(turn: u32) -> Load {
    Load {
        id: "car".to_owned(),
        name: "Car".to_owned(),
        kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 },
        send: SendAs::Amps,
        phases: 1,
        phase: 1,
        turn,
        circuit: None,
        counted_by: CountedBy::Main,
        start_after: Span::seconds(60),
        stop_after: Span::seconds(180),
        raise_after: Span::seconds(30),
        min_on: Span::seconds(300),
        min_off: Span::seconds(300),
        refresh: Span::seconds(30),
        device_timeout: Some(Span::seconds(120)),
        settle: Span::seconds(30),
        ramp_w_per_s: None,
        fallback: Fallback::Off,
        unattended: false,
        too_hot: None,
        heats_water: overspill_rules::home::HeatsWater::NotSaid,
        own_sun_first: false,
        on_move: OnMove::Tell,
        reports_plugged: false,
        reports_ready: false,
    }
}

fn heater(turn: u32) -> Load {
    Load {
        id: "water".to_owned(),
        name: "Water heater".to_owned(),
        kind: Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 },
        send: SendAs::Watts,
        settle: Span::seconds(2),
        ..car(turn)
    }
}
