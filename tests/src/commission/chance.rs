//! Chance that repeats itself: the same seed gives the same afternoon.

/// SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// Begins at `seed`; `stream` keeps what is drawn for one part apart from the others.
    pub fn new(seed: u64, stream: u64) -> Chance {
        Chance((seed + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ stream.wrapping_mul(0xD6E8_FEB8_6659_FD93))
    }

    fn word(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut word = self.0;
        word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        word ^ (word >> 31)
    }

    /// A number from `low` to just below `high`, all equally likely.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * ((self.word() >> 11) as f64 / (1_u64 << 53) as f64)
    }

    /// A normal number with mean 0 and deviation 1: the sum of twelve even ones less six.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.between(0.0, 1.0)).sum::<f64>() - 6.0
    }

    /// True with this probability.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.between(0.0, 1.0) < probability
    }
}
