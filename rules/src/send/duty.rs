//! The duty cycle by which a charge point tells a car how much current it may take (IEC 61851-1:2017 Annex A).
//!
//! Arithmetic only, for a certified charge point that takes the figure; the pilot signal itself is never made here.

/// The least current that a duty cycle can offer, in amps.
const LEAST_A: f64 = 6.0;

/// The greatest current that a duty cycle can offer, in amps.
const GREATEST_A: f64 = 80.0;

/// Up to here, in amps, a percent is 0.6 A; above, it is 2.5 A. The second law starts at 52.5 A: no duty cycle offers
/// a current between the two.
const FIRST_LAW_UP_TO_A: f64 = 51.0;
const SECOND_LAW_FROM_A: f64 = 52.5;

/// What a duty cycle means to a car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Offered {
    /// So many amps.
    Amps(f64),
    /// The current is to be agreed by digital communication.
    Digital,
    /// Nothing: not allowed to charge.
    Nothing,
}

/// What a car makes of a duty cycle in percent.
pub fn amps_from_duty(percent: f64) -> Offered {
    match percent {
        p if !(3.0..=97.0).contains(&p) => Offered::Nothing,
        p if p <= 7.0 => Offered::Digital,
        p if p < 8.0 => Offered::Nothing,
        p if p < 10.0 => Offered::Amps(LEAST_A),
        p if p <= 85.0 => Offered::Amps(0.6 * p),
        p if p <= 96.0 => Offered::Amps(2.5 * (p - 64.0)),
        _ => Offered::Amps(GREATEST_A),
    }
}

/// The duty cycle in percent that offers `amps`, or the greatest current below it that can be offered. `None` below
/// 6 A: nothing less can be offered, so the charge point can only pause.
pub fn duty_from_amps(amps: f64) -> Option<f64> {
    match amps {
        a if a.is_nan() || a < LEAST_A => None,
        a if a < SECOND_LAW_FROM_A => Some(a.min(FIRST_LAW_UP_TO_A) * 5.0 / 3.0),
        a => Some(a.min(GREATEST_A) / 2.5 + 64.0),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::panic)]
    use super::*;

    /// Vehicle side, IEC 61851-1:2017 Annex A (Tables A.7 and A.8), as reproduced in an instrument maker's handbook of
    /// an adapter for testing charge points; the thirds are computed.
    #[test]
    fn a_car_makes_of_a_duty_cycle_what_the_table_says() {
        use Offered::{Amps, Digital, Nothing};
        let rows = [
            (2.0, Nothing),
            (5.0, Digital),
            (7.5, Nothing),
            (8.0, Amps(6.0)),
            (9.0, Amps(6.0)),
            (10.0, Amps(6.0)),
            (16.0, Amps(9.6)),
            (20.0, Amps(12.0)),
            (26.0 + 2.0 / 3.0, Amps(16.0)),
            (25.0, Amps(15.0)),
            (30.0, Amps(18.0)),
            (40.0, Amps(24.0)),
            (50.0, Amps(30.0)),
            (53.0 + 1.0 / 3.0, Amps(32.0)),
            (60.0, Amps(36.0)),
            (66.0 + 2.0 / 3.0, Amps(40.0)),
            (70.0, Amps(42.0)),
            (75.0, Amps(45.0)),
            (80.0, Amps(48.0)),
            (85.0, Amps(51.0)),
            (86.0, Amps(55.0)),
            (88.0, Amps(60.0)),
            (90.0, Amps(65.0)),
            (92.0, Amps(70.0)),
            (96.0, Amps(80.0)),
            (97.0, Amps(80.0)),
            (97.5, Nothing),
            (100.0, Nothing),
            (f64::NAN, Nothing),
        ];
        for (duty, offered) in rows {
            match (amps_from_duty(duty), offered) {
                (Amps(found), Amps(wanted)) => assert!((found - wanted).abs() < 1e-9, "{duty} %: {found} A"),
                (found, wanted) => assert_eq!(found, wanted, "{duty} %"),
            }
        }
    }

    /// Supply side, the same law turned round.
    #[test]
    fn the_duty_cycle_of_a_current_is_that_of_the_table() {
        let rows = [
            (6.0, 10.0),
            (7.0, 11.667),
            (8.0, 13.333),
            (10.0, 16.667),
            (13.0, 21.667),
            (16.0, 26.667),
            (20.0, 33.333),
            (24.0, 40.0),
            (25.0, 41.667),
            (32.0, 53.333),
            (40.0, 66.667),
            (48.0, 80.0),
            (51.0, 85.0),
            (55.0, 86.0),
            (63.0, 89.2),
            (80.0, 96.0),
        ];
        for (amps, duty) in rows {
            let found = duty_from_amps(amps).unwrap_or(f64::NAN);
            assert!((found - duty).abs() < 1e-3, "{amps} A: {found} %");
        }
    }

    #[test]
    fn there_and_back_is_the_same_current() {
        for amps in (6..=51).chain(53..=80).map(f64::from) {
            match duty_from_amps(amps).map(amps_from_duty) {
                Some(Offered::Amps(back)) => assert!((back - amps).abs() < 1e-9, "{amps} A: {back} A"),
                other => panic!("{amps} A: {other:?}"),
            }
        }
    }

    #[test]
    fn between_the_two_laws_and_beyond_the_ends_the_current_below_is_offered() {
        for amps in [51.0, 51.5, 52.0, 52.499] {
            assert_eq!(duty_from_amps(amps), Some(85.0), "{amps} A");
        }
        assert_eq!(duty_from_amps(52.5), Some(85.0));
        assert_eq!(duty_from_amps(100.0), Some(96.0));
        for amps in [5.9, 0.0, -3.0, f64::NAN] {
            assert_eq!(duty_from_amps(amps), None, "{amps} A");
        }
    }
}
