//! Live values in short: how often they come, how old and how noisy they are, and what about them looks wrong. Pure: it
//! is given times in seconds and numbers, and keeps a bounded part of them.

use std::collections::VecDeque;

/// Values that are held for the noise and the rate; what is older is counted only.
const HELD: usize = 128;

/// Standard deviation of normal noise for each unit of its median absolute deviation (1 / 0.6745, computed).
const PER_MAD: f64 = 1.4826;

/// Fewer values than this tell nothing of noise or of being stuck.
const ENOUGH: u64 = 8;

/// The same value this many times is no life of a power reading.
const STUCK: u64 = 60;

/// Power that even an idle home exceeds now and then, in watts: below it numbers with fractions may be kilowatts.
const KILOWATTS_BELOW_W: f64 = 30.0;

/// A stream of values.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Live {
    count: u64,
    first_s: f64,
    last_s: f64,
    low: f64,
    high: f64,
    fractions: bool,
    falls: bool,
    held: VecDeque<(f64, f64)>,
}

/// A stream in short, at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// How many values came.
    pub count: u64,
    /// The last one.
    pub last: f64,
    /// Seconds since it came.
    pub age_s: f64,
    /// Median of the seconds between two values; `None` before the second.
    pub every_s: Option<f64>,
    /// The least.
    pub low: f64,
    /// The greatest.
    pub high: f64,
    /// Noise from one value to the next, as a standard deviation; robust against steps. `None` for too few.
    pub noise: Option<f64>,
    /// Whether any had a fraction.
    pub fractions: bool,
    /// Whether it rose and never fell, as a register does.
    pub rises: bool,
}

impl Live {
    /// Takes a value that came at `at_s`. A value that is no number is left out.
    pub fn push(&mut self, at_s: f64, value: f64) {
        if !value.is_finite() || !at_s.is_finite() {
            return;
        }
        if self.count == 0 {
            (self.first_s, self.low, self.high) = (at_s, value, value);
        }
        self.falls |= self.held.back().is_some_and(|(_, before)| value < *before);
        self.fractions |= value.fract() != 0.0;
        (self.low, self.high) = (self.low.min(value), self.high.max(value));
        self.last_s = at_s;
        self.count += 1;
        if self.held.len() == HELD {
            self.held.pop_front();
        }
        self.held.push_back((at_s, value));
    }

    /// What was seen until `now_s`; `None` while nothing came.
    pub fn seen(&self, now_s: f64) -> Option<Seen> {
        let (_, last) = *self.held.back()?;
        let pairs = || self.held.iter().zip(self.held.iter().skip(1));
        let gaps: Vec<f64> = pairs().map(|(a, b)| b.0 - a.0).collect();
        let moves: Vec<f64> = pairs().map(|(a, b)| (b.1 - a.1).abs()).collect();
        let noise = median(moves).map(|m| m * PER_MAD / std::f64::consts::SQRT_2);
        Some(Seen {
            count: self.count,
            last,
            age_s: (now_s - self.last_s).max(0.0),
            every_s: median(gaps),
            low: self.low,
            high: self.high,
            noise: noise.filter(|_| self.count >= ENOUGH),
            fractions: self.fractions,
            rises: self.high > self.low && !self.falls,
        })
    }
}

fn median(mut of: Vec<f64>) -> Option<f64> {
    of.sort_by(f64::total_cmp);
    let middle = of.len() / 2;
    let above = *of.get(middle)?;
    if of.len() % 2 == 1 {
        return Some(above);
    }
    of.get(middle - 1).map(|below| (below + above) / 2.0)
}

/// What a power reading should be like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Expected {
    /// Whether the home file says that the device sends kilowatts.
    pub(super) kilowatts: bool,
    /// How often the home file says that it sends, in seconds.
    pub(super) every_s: Option<f64>,
    /// The greatest power that can flow there, in watts: the supply's rating, or the load's.
    pub(super) most_w: f64,
    /// Whether it can be below zero at all.
    pub(super) below_zero: bool,
    /// Whether some power always flows there, as where a home is fed.
    pub(super) always: bool,
}

/// What looks wrong with a stream of watts (scale, unit and sign applied), each a sentence. It is a look, no proof.
pub(super) fn doubts(seen: Seen, expected: Expected) -> Vec<String> {
    let checks = [silent, unit, too_much, below_zero, stuck];
    checks.iter().filter_map(|check| check(seen, expected)).collect()
}

/// What is worth knowing and no mistake, each a sentence.
pub(super) fn remarks(seen: Seen, expected: Expected) -> Vec<String> {
    [slow, noisy].iter().filter_map(|remark| remark(seen, expected)).collect()
}

fn silent(seen: Seen, expected: Expected) -> Option<String> {
    let usual = expected.every_s.or(seen.every_s)?;
    (seen.age_s > (3.0 * usual).max(5.0))
        .then(|| format!("Silent for {:.0} s; it should send every {usual:.0} s.", seen.age_s))
}

fn slow(seen: Seen, expected: Expected) -> Option<String> {
    let (stated, every) = expected.every_s.zip(seen.every_s)?;
    (every > 1.5 * stated + 0.5)
        .then(|| format!("It sends every {every:.1} s; the home file says every {stated:.1} s."))
}

fn unit(seen: Seen, expected: Expected) -> Option<String> {
    let most = seen.low.abs().max(seen.high.abs());
    if expected.kilowatts && seen.low.abs().min(seen.high.abs()) > 50.0 * 1000.0 {
        return Some("Far too much for kilowatts: perhaps the device sends watts.".to_owned());
    }
    let small =
        expected.always && !expected.kilowatts && most > 0.0 && most < KILOWATTS_BELOW_W && seen.fractions;
    (small && seen.count >= ENOUGH).then(|| {
        format!(
            "Never beyond {most:.2} W, with fractions: the device may send kilowatts that are read as watts."
        )
    })
}

fn too_much(seen: Seen, expected: Expected) -> Option<String> {
    let most = seen.low.abs().max(seen.high.abs());
    (most > 1.5 * expected.most_w).then(|| {
        format!(
            "{most:.0} W, but {:.0} W is the most that can flow here: unit or scale may be wrong.",
            expected.most_w
        )
    })
}

fn below_zero(seen: Seen, expected: Expected) -> Option<String> {
    let least = -(0.02 * expected.most_w).max(20.0);
    (!expected.below_zero && seen.low < least)
        .then(|| format!("Down to {:.0} W, where nothing flows back: the sign may be wrong.", seen.low))
}

fn stuck(seen: Seen, _: Expected) -> Option<String> {
    let same = seen.count >= STUCK && seen.low == seen.high && seen.low != 0.0;
    same.then(|| format!("The very same value {} times: it may be stuck.", seen.count))
}

fn noisy(seen: Seen, expected: Expected) -> Option<String> {
    let noise = seen.noise?;
    (noise > (0.02 * expected.most_w).max(50.0)).then(|| {
        format!("It jumps by some {noise:.0} W from one value to the next: steps need a quieter time, or many repeats.")
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    const TAIL: Expected =
        Expected { kilowatts: false, every_s: Some(10.0), most_w: 18_400.0, below_zero: true, always: true };

    fn live(values: &[f64]) -> Live {
        let mut live = Live::default();
        values.iter().enumerate().for_each(|(i, v)| live.push(10.0 * i as f64, *v));
        live
    }

    fn told(values: &[f64], now_s: f64, expected: Expected) -> String {
        let seen = live(values).seen(now_s).unwrap();
        [doubts(seen, expected), remarks(seen, expected)].concat().join(" ")
    }

    #[test]
    fn an_ordinary_tail_raises_no_doubt() {
        let values: Vec<f64> =
            (0..80).map(|i| 400.0 + f64::from(i % 7) * 3.0 - f64::from(i / 40) * 900.0).collect();
        assert_eq!(told(&values, 795.0, TAIL), "");
        let seen = live(&values).seen(795.0).unwrap();
        assert_eq!((seen.every_s, seen.low, seen.high), (Some(10.0), -500.0, 418.0));
        assert!(seen.noise.unwrap() < 5.0, "a step is no noise: {seen:?}");
    }

    #[test]
    fn each_thing_that_looks_wrong_is_told() {
        assert_eq!(live(&[]).seen(0.0), None);
        assert!(told(&[400.0, 410.0], 60.0, TAIL).contains("Silent for 50 s"));
        let quick = Expected { every_s: Some(2.0), ..TAIL };
        assert!(
            told(&[400.0, 410.0, 415.0], 20.0, quick)
                .contains("every 10.0 s; the home file says every 2.0 s")
        );
        let small: Vec<f64> = (0..12).map(|i| 0.41 + 0.01 * f64::from(i)).collect();
        assert!(told(&small, 110.0, TAIL).contains("may send kilowatts"));
        assert_eq!(told(&small, 110.0, Expected { always: false, ..TAIL }), "", "a roof at dusk");
        let kilo = Expected { kilowatts: true, ..TAIL };
        assert!(told(&[400_000.0, 410_000.0], 10.0, kilo).contains("device sends watts"));
        assert!(told(&[40_000.0, 500.0], 10.0, TAIL).contains("unit or scale"));
        let roof = Expected { below_zero: false, most_w: 4000.0, ..TAIL };
        assert!(told(&[-1200.0, 0.0], 10.0, roof).contains("sign may be wrong"));
        assert!(told(&[412.0; 80], 795.0, TAIL).contains("may be stuck"));
        let wild: Vec<f64> = (0..20).map(|i| if i % 2 == 0 { 0.0 } else { 900.0 }).collect();
        assert!(told(&wild, 195.0, TAIL).contains("It jumps by some"));
    }

    #[test]
    fn a_dark_roof_is_not_stuck() {
        assert_eq!(told(&[0.0; 80], 795.0, Expected { below_zero: false, ..TAIL }), "");
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

        /// However much comes, what is held is bounded, and the range is true.
        #[test]
        fn it_stays_small(values in prop::collection::vec(-1e9f64..1e9, 1..600)) {
            let live = live(&values);
            let seen = live.seen(1e6).unwrap();
            prop_assert!(live.held.len() <= HELD);
            prop_assert_eq!(seen.count, values.len() as u64);
            prop_assert_eq!(seen.high, values.iter().copied().fold(f64::MIN, f64::max));
            prop_assert_eq!(seen.low, values.iter().copied().fold(f64::MAX, f64::min));
        }
    }
}
