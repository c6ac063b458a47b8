//! What energy that was sent out could have done at home.

/// Specific heat of water, in kilojoules for a kilogram and a kelvin (15 degree calorie, any physics table). A litre is
/// taken as a kilogram.
const WATER_KJ_PER_KG_K: f64 = 4.186;

/// What an electric car takes from the socket for 100 km, charging losses included, in kilowatt-hours: common practice.
pub const CAR_KWH_PER_100_KM: f64 = 18.0;

/// Kilometres of a statute mile (exact by definition).
pub const KM_PER_MILE: f64 = 1.609344;

/// Litres of water that `kwh` lifts by `kelvin` (above 0).
pub fn water_litres(kwh: f64, kelvin: f64) -> f64 {
    kwh * 3600.0 / (WATER_KJ_PER_KG_K * kelvin)
}

/// Kilometres that a car drives on `kwh` from the socket.
pub fn car_km(kwh: f64) -> f64 {
    kwh / CAR_KWH_PER_100_KM * 100.0
}
