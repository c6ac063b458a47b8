//! Chance that repeats itself: the same seed gives the same day.

/// SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014):
/// one 64-bit word of state, the same numbers on every machine.
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

impl Chance {
    /// Begins at `seed`; `stream` keeps what is drawn for one part of the home apart from the others.
    pub(super) fn new(seed: u64, stream: u64) -> Chance {
        Chance(seed ^ stream.wrapping_mul(0xD6E8_FEB8_6659_FD93))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut word = self.0;
        word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        word ^ (word >> 31)
    }

    /// A number from `low` to just below `high`, all equally likely.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        // 53 bits are what a double holds exactly.
        let unit = (self.next() >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// True with this probability, 0 to 1.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.between(0.0, 1.0) < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_gives_the_published_numbers() {
        // First two words for the seed 1234567, as listed with the reference implementation in C.
        let mut chance = Chance(1_234_567);
        assert_eq!((chance.next(), chance.next()), (6_457_827_717_110_365_317, 3_203_168_211_198_807_973));
    }

    #[test]
    fn numbers_stay_within_their_bounds() {
        let mut chance = Chance::new(1, 2);
        assert!((0..1000).map(|_| chance.between(3.0, 4.0)).all(|n| (3.0..4.0).contains(&n)));
    }
}
