//! Readings of the billing meter, entered by hand, held against what the clamps counted between them.
//!
//! A billing meter is the reference: MID 2014/32/EU Annex V (MI-003) Table 2 allows a meter of class B 2 % between +5 and
//! +30 °C. A current transformer of class 1 may be wrong by 1 % at its rated current and 3 % at a twentieth of it (IEC
//! 61869-2); 1.5 % stands for the mean of a day (common practice). Within the sum of both nobody is found wrong. A figure
//! of a clamp is an indication, never a bill.

use crate::time::WallTime;

/// What a billing meter of class B may be wrong by, as a share (MID 2014/32/EU, MI-003 Table 2, at room temperature).
pub const METER_SHARE: f64 = 0.02;

/// What clamps of class 1 may be wrong by over a day, as a share.
pub const CLAMP_SHARE: f64 = 0.015;

/// Below this coverage the clamps have not seen enough to be judged.
pub const COVERED_SHARE: f64 = 0.98;

/// A factor is offered only when the registers' last digits make less than this share of the energy.
const RESOLUTION_SHARE: f64 = 0.005;

/// A factor is offered only from this much energy on, in kilowatt-hours: some days of a home.
const ENOUGH_KWH: f64 = 25.0;

/// A register is taken to have rolled over only from this share of its range on.
const ROLLS_OVER_FROM: f64 = 0.9;

/// Which register of which meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Register {
    /// What was bought.
    Import,
    /// What was sent out.
    Export,
    /// What the roof made, by a generation meter.
    Generation,
}

impl Register {
    /// All of them, in the order in which they are shown.
    pub const ALL: [Register; 3] = [Register::Import, Register::Export, Register::Generation];

    /// As a person names it.
    pub fn word(self) -> &'static str {
        match self {
            Register::Import => "import",
            Register::Export => "export",
            Register::Generation => "generation",
        }
    }

    /// The flow of the journal that it is held against.
    pub fn flow(self) -> &'static str {
        match self {
            Register::Import => "import",
            Register::Export => "export",
            Register::Generation => "solar",
        }
    }

    /// The register that a word names.
    pub fn named(word: &str) -> Option<Register> {
        Register::ALL.into_iter().find(|r| r.word() == word)
    }
}

/// One reading, as it stood on the meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// When it was read.
    pub at: WallTime,
    /// What it showed, in kilowatt-hours.
    pub kwh: f64,
    /// The place of its last digit, in kilowatt-hours: 1, 0.1, 0.01 or 0.001.
    pub resolution_kwh: f64,
    /// Digits before the decimal point, where they are known: a register of five rolls over at 100,000 kWh.
    pub digits: Option<u8>,
    /// The first reading of a new meter: nothing is compared across the exchange.
    pub new_meter: bool,
}

/// What the clamps counted in the same time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// Energy, in kilowatt-hours.
    pub kwh: f64,
    /// The time for which they were read, as a share of the whole.
    pub covered: f64,
}

/// Two readings in a row that can't belong to one register.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Backwards {
    /// The earlier one.
    pub from: Entry,
    /// The later one, which shows less.
    pub to: Entry,
}

/// The time between two readings of one register.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// When it began.
    pub from: WallTime,
    /// When it ended.
    pub to: WallTime,
    /// By the meter, in kilowatt-hours.
    pub metered_kwh: f64,
    /// How far that may be off because a register shows whole last digits only, either way, in kilowatt-hours.
    pub resolution_kwh: f64,
}

/// How meter and clamps agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Within what both may be wrong by.
    Agrees,
    /// The clamps count more than meter and clamps may differ by.
    High,
    /// The clamps count less.
    Low,
    /// The register's last digit is too coarse for so little energy.
    TooLittle,
    /// The clamps were not read for long enough.
    NotCovered,
}

/// Meter and clamps over one interval or several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// By the meter, in kilowatt-hours.
    pub metered_kwh: f64,
    /// By the clamps, in kilowatt-hours.
    pub counted_kwh: f64,
    /// The time for which the clamps were read, as a share.
    pub covered: f64,
    /// By how much the clamps count more than the meter, as a share of the meter's; `None` where that says nothing.
    pub deviation: Option<f64>,
    /// By how much they may, as a share of the meter's.
    pub allowed: f64,
    /// What that means.
    pub verdict: Verdict,
}

/// What passed between readings of one register, which stand in order of time. A register that shows less than before
/// has rolled over where it stood near the end of its range; else the two can't belong together.
pub fn intervals(entries: &[Entry]) -> Vec<Result<Interval, Backwards>> {
    let pairs = entries.windows(2).filter_map(|pair| match pair {
        [from, to] if !to.new_meter => Some(interval(*from, *to)),
        _ => None,
    });
    pairs.collect()
}

fn interval(from: Entry, to: Entry) -> Result<Interval, Backwards> {
    let passed = to.kwh - from.kwh;
    let metered_kwh = if passed >= 0.0 {
        passed
    } else {
        let range = from.digits.or(to.digits).map(|digits| 10_f64.powi(i32::from(digits)));
        let rolled = range.filter(|range| from.kwh >= range * ROLLS_OVER_FROM && to.kwh <= range * 0.1);
        passed + rolled.ok_or(Backwards { from, to })?
    };
    let resolution_kwh = from.resolution_kwh.max(to.resolution_kwh);
    Ok(Interval { from: from.at, to: to.at, metered_kwh, resolution_kwh })
}

/// Holds intervals of one register against what the clamps counted in each.
pub fn compare(intervals: &[(Interval, Counted)]) -> Compared {
    let sum = |of: fn(&(Interval, Counted)) -> f64| intervals.iter().map(of).sum::<f64>();
    let (metered_kwh, counted_kwh) = (sum(|(i, _)| i.metered_kwh), sum(|(_, c)| c.kwh));
    let length = |i: &Interval| (i.to - i.from).0 as f64;
    let whole: f64 = intervals.iter().map(|(i, _)| length(i)).sum();
    let covered_ms: f64 = intervals.iter().map(|(i, c)| length(i) * c.covered).sum();
    let covered = if whole > 0.0 { covered_ms / whole } else { 0.0 };
    // What the clamps did not see may have been anything up to the mean of the rest.
    let unseen = (1.0 - covered).max(0.0);
    let resolution_kwh = sum_of_joins(intervals);
    let deviation = (metered_kwh > 0.0).then(|| counted_kwh / metered_kwh - 1.0);
    let fixed = METER_SHARE + CLAMP_SHARE + unseen;
    let coarse = if metered_kwh > 0.0 { resolution_kwh / metered_kwh } else { f64::INFINITY };
    let allowed = fixed + coarse;
    let verdict = match deviation {
        _ if covered < COVERED_SHARE => Verdict::NotCovered,
        Some(deviation) if deviation > allowed => Verdict::High,
        Some(deviation) if deviation < -allowed => Verdict::Low,
        Some(_) if coarse <= fixed => Verdict::Agrees,
        _ => Verdict::TooLittle,
    };
    Compared { metered_kwh, counted_kwh, covered, deviation, allowed, verdict }
}

/// Where one interval ends as the next begins, the digit lost at the joint is lost once.
fn sum_of_joins(intervals: &[(Interval, Counted)]) -> f64 {
    let mut sum = 0.0;
    let mut before: Option<WallTime> = None;
    for (interval, _) in intervals {
        sum += if before == Some(interval.from) { 0.0 } else { interval.resolution_kwh };
        before = Some(interval.to);
    }
    sum
}

impl Compared {
    /// Whether clamps and meter are further apart than they may be.
    pub fn disagrees(&self) -> bool {
        matches!(self.verdict, Verdict::High | Verdict::Low)
    }

    /// What the clamps' readings would have to be multiplied by; offered only where they are off, enough energy was
    /// counted, and the registers show it finely enough.
    pub fn factor(&self) -> Option<f64> {
        let coarse = self.allowed - METER_SHARE - CLAMP_SHARE - (1.0 - self.covered).max(0.0);
        let fine = self.metered_kwh >= ENOUGH_KWH && coarse <= RESOLUTION_SHARE;
        (self.disagrees() && fine && self.counted_kwh > 0.0).then(|| self.metered_kwh / self.counted_kwh)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: i64 = 86_400_000;

    fn entry(day: i64, kwh: f64) -> Entry {
        Entry { at: WallTime(day * DAY), kwh, resolution_kwh: 0.01, digits: Some(5), new_meter: false }
    }

    fn counted(kwh: f64) -> Counted {
        Counted { kwh, covered: 1.0 }
    }

    fn over(metered_kwh: f64, counted_kwh: f64, resolution_kwh: f64) -> Compared {
        let interval = Interval { from: WallTime(0), to: WallTime(DAY), metered_kwh, resolution_kwh };
        compare(&[(interval, counted(counted_kwh))])
    }

    /// Class B at room temperature (MID MI-003 Table 2) and class 1 clamps: of 12.00 kWh, 12.30 is inside, 12.50 is not.
    #[test]
    fn a_day_within_both_classes_agrees_and_one_outside_does_not() {
        assert_eq!(over(12.0, 12.3, 0.01).verdict, Verdict::Agrees);
        assert_eq!(over(12.0, 12.5, 0.01).verdict, Verdict::High);
        assert_eq!(over(12.0, 11.5, 0.01).verdict, Verdict::Low);
        let deviation = over(12.0, 12.5, 0.01).deviation.unwrap_or_default();
        assert!((deviation - 0.5 / 12.0).abs() < 1e-12);
    }

    #[test]
    fn a_coarse_register_says_nothing_of_a_little_energy() {
        assert_eq!(over(12.0, 13.0, 1.0).verdict, Verdict::TooLittle);
        assert_eq!(over(12.0, 14.0, 1.0).verdict, Verdict::High, "two lost digits do not explain that");
        assert_eq!(over(0.0, 0.0, 0.01).verdict, Verdict::TooLittle);
        assert_eq!(over(300.0, 350.0, 1.0).verdict, Verdict::High);
    }

    #[test]
    fn a_factor_is_offered_only_after_enough_energy() {
        assert_eq!(over(12.0, 12.5, 0.01).factor(), None);
        assert_eq!(over(300.0, 301.0, 0.01).factor(), None, "nothing is wrong");
        assert_eq!(over(100.0, 120.0, 1.0).factor(), None, "the register is too coarse");
        let factor = over(300.0, 600.0, 1.0).factor().unwrap_or_default();
        assert!((factor - 0.5).abs() < 1e-12);
    }

    #[test]
    fn what_the_clamps_did_not_see_is_not_held_against_them() {
        let interval =
            Interval { from: WallTime(0), to: WallTime(DAY), metered_kwh: 12.0, resolution_kwh: 0.01 };
        let seen = |covered, kwh| compare(&[(interval, Counted { kwh, covered })]).verdict;
        assert_eq!(seen(0.5, 6.0), Verdict::NotCovered);
        assert_eq!(seen(0.985, 11.5), Verdict::Agrees);
    }

    #[test]
    fn a_register_rolls_over_and_a_new_meter_begins_afresh() {
        let rolled = intervals(&[entry(0, 99_990.0), entry(1, 4.5)]);
        let kwh: Vec<f64> = rolled.iter().flatten().map(|i| i.metered_kwh).collect();
        assert!(matches!(kwh.as_slice(), [kwh] if (kwh - 14.5).abs() < 1e-6), "{rolled:?}");
        let back = intervals(&[entry(0, 5_000.0), entry(1, 4_990.0)]);
        assert!(matches!(back.as_slice(), [Err(_)]), "{back:?}");
        let exchanged =
            intervals(&[entry(0, 5_000.0), Entry { new_meter: true, ..entry(1, 0.0) }, entry(2, 7.0)]);
        let kwh: Vec<f64> = exchanged.iter().flatten().map(|i| i.metered_kwh).collect();
        assert_eq!(kwh, [7.0]);
    }

    /// Truncated readings: each joint between intervals loses its digit once.
    #[test]
    fn intervals_in_a_row_are_as_fine_as_their_ends() {
        let week: Vec<Entry> = (0..8).map(|d| entry(d, 10.0 * d as f64)).collect();
        let list: Vec<(Interval, Counted)> =
            intervals(&week).into_iter().flatten().map(|i| (i, counted(10.0))).collect();
        let all = compare(&list);
        assert!((all.allowed - (METER_SHARE + CLAMP_SHARE + 0.01 / 70.0)).abs() < 1e-12, "{all:?}");
    }
}
