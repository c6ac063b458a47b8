//! What a clamp promises, and a comparison held against it.

/// Accuracy class of a measuring current transformer (IEC 61869-2:2012, Tables 201 to 203).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// 0.5 S.
    HalfS,
    /// 0.5.
    Half,
    /// 1.
    One,
    /// 3.
    Three,
    /// 5.
    Five,
}

/// Limits of the ratio error: (share of the rated current, error as a share).
const HALF_S: [(f64, f64); 5] = [(0.01, 0.015), (0.05, 0.0075), (0.2, 0.005), (1.0, 0.005), (1.2, 0.005)];
const HALF: [(f64, f64); 4] = [(0.05, 0.015), (0.2, 0.0075), (1.0, 0.005), (1.2, 0.005)];
const ONE: [(f64, f64); 4] = [(0.05, 0.03), (0.2, 0.015), (1.0, 0.01), (1.2, 0.01)];
const THREE: [(f64, f64); 2] = [(0.5, 0.03), (1.2, 0.03)];
const FIVE: [(f64, f64); 2] = [(0.5, 0.05), (1.2, 0.05)];

/// A reading held against an instrument or a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Accuracy {
    /// Both agree within what they may be wrong by together, as a share.
    Within {
        /// What they may differ by.
        limit: f64,
    },
    /// They differ by more.
    Outside {
        /// What they may differ by.
        limit: f64,
        /// What the clamp reads for each watt of the reference.
        reads_times: f64,
    },
    /// Too little flows for the clamp to promise anything; this many watts would do.
    TooSmall {
        /// From here on its class holds, in watts.
        least_w: f64,
    },
    /// More flows than the clamp promises anything for.
    TooLarge {
        /// Up to here its class holds, in watts.
        most_w: f64,
    },
    /// A reference of 0, or no number: nothing to compare with.
    Nothing,
}

impl Class {
    fn table(self) -> &'static [(f64, f64)] {
        match self {
            Class::HalfS => &HALF_S,
            Class::Half => &HALF,
            Class::One => &ONE,
            Class::Three => &THREE,
            Class::Five => &FIVE,
        }
    }

    /// The ratio error allowed at this share of the rated current, straight between the table's rows; `None` where the
    /// class promises nothing.
    pub fn limit(self, share_of_rated: f64) -> Option<f64> {
        self.table().windows(2).find_map(|pair| match pair {
            [(from, high), (to, low)] if (*from..=*to).contains(&share_of_rated) => {
                Some(high + (low - high) * (share_of_rated - from) / (to - from))
            }
            _ => None,
        })
    }

    /// From and to which share of the rated current it promises anything.
    fn range(self) -> (f64, f64) {
        let share = |row: Option<&(f64, f64)>| row.map_or(1.0, |row| row.0);
        (share(self.table().first()), share(self.table().last()))
    }
}

/// Holds what a clamp of `class` and `rated_a` reads against `reference_w`, which is right to `reference_share` (0.02 for
/// a billing meter of class B between +5 and +30 °C: MID 2014/32/EU, MI-003, Table 2). Unity power factor.
pub fn compare(
    reads_w: f64,
    reference_w: f64,
    reference_share: f64,
    class: Class,
    rated_a: f64,
    volts: f64,
) -> Accuracy {
    let rated_w = rated_a * volts;
    if !reads_w.is_finite() || !reference_w.is_finite() || reference_w == 0.0 {
        return Accuracy::Nothing;
    }
    let Some(clamp) = class.limit(reference_w.abs() / rated_w) else {
        let (least, most) = class.range();
        return if reference_w.abs() > most * rated_w {
            Accuracy::TooLarge { most_w: most * rated_w }
        } else {
            Accuracy::TooSmall { least_w: least * rated_w }
        };
    };
    let limit = clamp + reference_share;
    let reads_times = reads_w / reference_w;
    if (reads_times - 1.0).abs() <= limit {
        Accuracy::Within { limit }
    } else {
        Accuracy::Outside { limit, reads_times }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: Option<f64>, wanted: f64) -> bool {
        found.is_some_and(|f| (f - wanted).abs() < 1e-9)
    }

    #[test]
    fn the_limits_of_the_standard() {
        // IEC 61869-2:2012, Table 201: class 1 at 5, 20 and 100 %.
        for (share, limit) in [(0.05, 0.03), (0.2, 0.015), (1.0, 0.01), (1.2, 0.01)] {
            assert!(near(Class::One.limit(share), limit), "{share}");
        }
        assert!(near(Class::Three.limit(0.5), 0.03) && Class::Three.limit(0.4).is_none());
        assert_eq!(Class::One.limit(0.02), None);
        assert!(near(Class::HalfS.limit(0.01), 0.015) && near(Class::Five.limit(1.2), 0.05));
    }

    #[test]
    fn a_hundred_amp_clamp_promises_nothing_at_two_amps() {
        // 100 A at 5 A (1150 W): 34.5 W; at 2 A nothing (computed from the same table).
        assert!(near(Class::One.limit(0.05), 34.5 / 1150.0));
        let small = compare(470.0, 460.0, 0.02, Class::One, 100.0, 230.0);
        assert_eq!(small, Accuracy::TooSmall { least_w: 1150.0 });
    }

    #[test]
    fn a_clamp_outside_both_limits_is_told_with_its_factor() {
        assert!(matches!(compare(2345.0, 2300.0, 0.02, Class::One, 100.0, 230.0), Accuracy::Within { .. }));
        let Accuracy::Outside { reads_times, .. } = compare(1150.0, 2300.0, 0.02, Class::One, 100.0, 230.0)
        else {
            unreachable!("half is outside every class");
        };
        assert!((reads_times - 0.5).abs() < 1e-9);
    }
}
