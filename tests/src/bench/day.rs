//! What the roof makes and the house uses, second by second.

use std::f64::consts::PI;

/// Power of the roof and of the house without its controlled loads, one value a second, in watts.
#[derive(Debug, Clone)]
pub struct Day {
    /// The roof.
    pub solar_w: Vec<f64>,
    /// The house.
    pub base_w: Vec<f64>,
}

/// A small generator of repeatable noise (splitmix64, public domain algorithm by Sebastiano Vigna).
#[derive(Debug, Clone)]
pub struct Noise(u64);

impl Noise {
    /// A generator that starts at `seed`.
    pub fn new(seed: u64) -> Noise {
        Noise(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly between 0 and 1.
    pub fn even(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A whole number from `low` to `high`, both included.
    pub fn whole(&mut self, low: i64, high: i64) -> i64 {
        low + (self.even() * (high - low + 1) as f64) as i64
    }

    /// About normal with deviation 1: the sum of twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

impl Day {
    /// Two hours of steady sun of 5 kW on a house that uses 500 W.
    pub fn steady() -> Day {
        let seconds = 7200;
        Day { solar_w: vec![5000.0; seconds], base_w: wander(vec![500.0; seconds], 9) }
    }

    /// Eleven hours of clear sky, 7.4 kW at noon, and a house with kettles: those of the day on which the bars were
    /// measured, since what a reversed clamp buys, say, is a matter of when they fall.
    pub fn clear() -> Day {
        Day { solar_w: clear_sky(), base_w: house(&KETTLES, 1) }
    }

    /// The same with kettles at other moments.
    pub fn clear_with(seed: u64) -> Day {
        Day { solar_w: clear_sky(), base_w: house(&kettles(seed), seed) }
    }

    /// The clear day with two showers of 9 kW, ten minutes each.
    pub fn clear_with_showers() -> Day {
        Day::clear().with_showers(&[4 * 3600, 6 * 3600])
    }

    /// Two hours of the night, with a shower of 9 kW in the middle.
    pub fn night_with_shower() -> Day {
        let base_w = wander(vec![350.0; 7200], 3);
        Day { solar_w: vec![0.0; 7200], base_w }.with_showers(&[3600])
    }

    fn with_showers(mut self, begins: &[usize]) -> Day {
        for begin in begins {
            self.base_w[*begin..begin + 600].iter_mut().for_each(|w| *w += 9000.0);
        }
        self
    }

    /// Eleven hours of the measured broken-cloud day, the roof doubled, from minute means to seconds by straight lines.
    pub fn broken_cloud() -> Day {
        let rows = include_str!("../../data/broken_cloud_day_1min.csv").lines().skip(1);
        let columns: Vec<(f64, f64)> = rows.filter_map(load_and_roof).collect();
        let (load, roof): (Vec<f64>, Vec<f64>) = columns.into_iter().unzip();
        // The rows begin at 07:00 UTC; the sun is up from 13:00 to 24:00 UTC at that longitude.
        let seconds = 6 * 3600..17 * 3600;
        let between = |series: &[f64], second: usize| {
            let minute = (second as f64 / 60.0 - 0.5).max(0.0);
            let (i, part) = (minute as usize, minute.fract());
            let last = series.len() - 1;
            series[i.min(last)] * (1.0 - part) + series[(i + 1).min(last)] * part
        };
        Day {
            solar_w: seconds.clone().map(|s| 2.0 * between(&roof, s)).collect(),
            base_w: seconds.map(|s| between(&load, s)).collect(),
        }
    }

    /// How many seconds it has.
    pub fn seconds(&self) -> usize {
        self.solar_w.len()
    }
}

fn load_and_roof(line: &str) -> Option<(f64, f64)> {
    let mut fields = line.split(',').skip(1);
    Some((fields.next()?.parse().ok()?, fields.next()?.parse().ok()?))
}

/// Eleven hours in seconds.
const DAY_S: usize = 11 * 3600;

/// A kettle of 2.2 kW: when it begins and for how long, in seconds.
type Kettle = (usize, usize);

/// The kettles of the day on which the bars were measured.
const KETTLES: [Kettle; 20] = [
    (600, 60),
    (3831, 60),
    (5775, 60),
    (8704, 120),
    (11_538, 180),
    (13_992, 60),
    (15_276, 120),
    (16_292, 120),
    (18_964, 180),
    (19_872, 180),
    (22_596, 120),
    (24_433, 180),
    (25_751, 120),
    (26_776, 60),
    (27_780, 180),
    (30_897, 60),
    (33_358, 180),
    (35_145, 120),
    (36_163, 180),
    (37_971, 120),
];

fn clear_sky() -> Vec<f64> {
    (0..DAY_S).map(|t| 7400.0 * (PI * t as f64 / DAY_S as f64).sin()).collect()
}

/// A kettle every quarter of an hour to an hour, for one to three minutes.
fn kettles(seed: u64) -> Vec<Kettle> {
    let (mut noise, mut kettles, mut at) = (Noise::new(seed), Vec::new(), 600);
    while at < DAY_S {
        kettles.push((at, 60 * noise.whole(1, 3) as usize));
        at += noise.whole(900, 3600) as usize;
    }
    kettles
}

/// A house of about 350 W, with kettles.
fn house(kettles: &[Kettle], seed: u64) -> Vec<f64> {
    let mut base: Vec<f64> = (0..DAY_S).map(|t| 350.0 + 40.0 * (t as f64 / 300.0).sin()).collect();
    for (begin, lasts) in kettles {
        let end = (begin + lasts).min(DAY_S);
        base[*begin..end].iter_mut().for_each(|w| *w += 2200.0);
    }
    wander(base, seed + 5)
}

/// Adds what many small things do: a slow random walk around zero, about 28 W wide.
fn wander(mut base: Vec<f64>, seed: u64) -> Vec<f64> {
    let (mut noise, mut walk) = (Noise::new(seed), 0.0);
    for watts in &mut base {
        walk = 0.9 * walk + 12.0 * noise.normal();
        *watts = (*watts + walk).max(0.0);
    }
    base
}
