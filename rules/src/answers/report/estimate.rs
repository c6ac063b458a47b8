//! The standard's estimate of self-use, beside the measured one.
//!
//! SAP 10.2 (17-12-2021), Appendix M1, sections 3 and 4: the share of a month's generation that is used in the dwelling,
//! from generation and use alone. It is meant for a typical dwelling, not for this home.

use std::collections::BTreeMap;

use super::halves::{HOUSE, Half, SOLAR};
use super::history::History;

/// The standard counts no larger battery, in usable kilowatt-hours.
const LARGEST_BATTERY_KWH: f64 = 15.0;

/// The share of a month's generation that is used in the dwelling, 0 to 1, by SAP 10.2 Appendix M1: from generation and
/// use of the month and the battery's usable size, all in kilowatt-hours. 0 where nothing is made or used.
pub fn standard_self_use(solar_kwh: f64, use_kwh: f64, battery_kwh: f64) -> f64 {
    if solar_kwh <= 0.0 || use_kwh <= 0.0 {
        return 0.0;
    }
    let battery = battery_kwh.clamp(0.0, LARGEST_BATTERY_KWH);
    let c1 = 1.610 - 0.0973 * battery;
    let c2 = 0.415 - 0.00776 * battery;
    let c3 = 0.511 + 0.0866 * battery;
    let ratio = solar_kwh / use_kwh;
    (-c1 * (ratio * c2).powf(c3)).exp().min(1.0 / ratio)
}

/// The standard's estimate for the months of a span, and what was measured of the same half hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Used at home by the standard, in kilowatt-hours.
    pub self_use_kwh: f64,
    /// That as a share of what was made.
    pub self_consumption: f64,
}

/// By calendar month, over the half hours of which both generation and use are known; `None` where nothing was made.
pub(super) fn estimate(history: &History, halves: &[Half]) -> Option<Estimate> {
    let mut months: BTreeMap<(i16, i8), (f64, f64)> = BTreeMap::new();
    for day in &history.days {
        let sum = months.entry((day.date.year(), day.date.month())).or_default();
        for half in (day.slots.0..day.slots.1).filter_map(|place| halves.get(place)) {
            if let (Some(solar), Some(house)) = (half.known(SOLAR), half.known(HOUSE)) {
                sum.0 += solar;
                sum.1 += house;
            }
        }
    }
    let made: f64 = months.values().map(|(solar, _)| solar).sum();
    let used: f64 =
        months.values().map(|(solar, house)| solar * standard_self_use(*solar, *house, 0.0)).sum();
    (made > 0.0).then(|| Estimate { self_use_kwh: used, self_consumption: used / made })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from the coefficients of SAP 10.2 (17-12-2021), Appendix M1; the first row is also an example of open
    /// implementations of that standard.
    #[test]
    fn the_standards_factors_are_met() {
        for (solar, load, battery, factor) in [
            (100.0, 200.0, 0.0, 0.486357),
            (200.0, 200.0, 0.0, 0.358014),
            (400.0, 200.0, 0.0, 0.231361),
            (200.0, 200.0, 5.0, 0.639899),
            (400.0, 200.0, 5.0, 0.423629),
            (400.0, 200.0, 15.0, 0.5),
            (400.0, 200.0, 20.0, 0.5),
            (0.0, 200.0, 0.0, 0.0),
            (200.0, 0.0, 0.0, 0.0),
        ] {
            let found = standard_self_use(solar, load, battery);
            assert!((found - factor).abs() < 1e-5, "{solar} {load} {battery}: {found}, not {factor}");
        }
    }
}
