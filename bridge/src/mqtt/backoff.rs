//! Pauses between attempts.

use std::time::Duration;

use super::Retry;

/// Doubling pauses with jitter.
#[derive(Debug)]
pub(crate) struct BackOff {
    retry: Retry,
    next: Duration,
    random: u64,
}

impl BackOff {
    pub(crate) fn new(retry: Retry) -> Self {
        Self { retry, next: retry.first, random: retry.seed }
    }

    /// The pause before the next attempt.
    pub(crate) fn pause(&mut self) -> Duration {
        let plain = self.next.min(self.retry.longest);
        self.next = plain.saturating_mul(2).min(self.retry.longest);
        plain.mul_f64(self.jitter())
    }

    /// The next factor from 0.8 to 1.2.
    pub(crate) fn jitter(&mut self) -> f64 {
        0.8 + 0.4 * self.fraction()
    }

    /// After a connection that held, the next pause is the first one again.
    pub(crate) fn reset(&mut self) {
        self.next = self.retry.first;
    }

    /// The next number in 0..1 of the sequence "splitmix64".
    fn fraction(&mut self) -> f64 {
        self.random = self.random.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.random;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        // The upper 32 bits fit a float exactly.
        (z >> 32) as f64 / f64::from(u32::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn retry(seed: u64) -> Retry {
        Retry { first: Duration::from_millis(500), longest: Duration::from_secs(30), seed }
    }

    #[test]
    fn pauses_double_from_half_a_second_to_thirty() {
        let mut back_off = BackOff::new(retry(7));
        for plain in [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0] {
            let pause = back_off.pause().as_secs_f64();
            assert!(pause >= plain * 0.8 && pause <= plain * 1.2, "{pause} for {plain}");
        }
        back_off.reset();
        assert!(back_off.pause() <= Duration::from_millis(600));
    }

    #[test]
    fn the_seed_decides_the_jitter() {
        let pauses = |seed| {
            let mut back_off = BackOff::new(retry(seed));
            (0..8).map(|_| back_off.pause()).collect::<Vec<_>>()
        };
        assert_eq!(pauses(1), pauses(1));
        assert_ne!(pauses(1), pauses(2));
    }
}
