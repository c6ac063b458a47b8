//! What somebody who knows every second in advance could have caught.

use super::day::Day;
use super::plants::{Battery, CAR_TAKES, VOLTS};

/// What the loads can take.
#[derive(Debug, Clone, Copy)]
pub struct Appetite {
    /// Watts for each amp of the car.
    pub car_step_w: f64,
    /// The car's ceiling in amps.
    pub car_most_a: f64,
    /// The car's room in watt-hours.
    pub car_room_wh: f64,
}

impl Default for Appetite {
    fn default() -> Appetite {
        Appetite { car_step_w: VOLTS * CAR_TAKES, car_most_a: 32.0, car_room_wh: f64::INFINITY }
    }
}

/// Watt-hours that could have been caught: by the car in whole amps from 6, then by the heater up to 3 kW; after the
/// battery, where one is served first.
pub fn could_catch_wh(day: &Day, appetite: Appetite, battery: Option<&Battery>) -> f64 {
    let (mut car_wh, mut heater_wh) = (0.0, 0.0);
    let mut battery = battery.cloned();
    for (solar, base) in day.solar_w.iter().zip(&day.base_w) {
        let mut spare = (solar - base).max(0.0);
        if let Some(battery) = &mut battery {
            spare -= after_battery(battery, spare, base - solar);
        }
        if car_wh < appetite.car_room_wh {
            let amps = (spare / appetite.car_step_w).floor().min(appetite.car_most_a);
            if amps >= 6.0 {
                car_wh += amps * appetite.car_step_w / 3600.0;
                spare -= amps * appetite.car_step_w;
            }
        }
        heater_wh += spare.min(3000.0) / 3600.0;
    }
    car_wh + heater_wh
}

/// What a battery takes first, in watts.
fn after_battery(battery: &mut Battery, spare_w: f64, missing_w: f64) -> f64 {
    let room = battery.charge_wh < battery.size_wh;
    let charge = if room { spare_w.min(battery.power_w) } else { 0.0 };
    if missing_w > 0.0 && battery.charge_wh > 0.0 {
        battery.charge_wh -= missing_w.min(battery.power_w) / 3600.0;
    }
    battery.charge_wh += charge / 3600.0;
    charge
}
