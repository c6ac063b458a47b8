//! How often which power was read, in cells of a quarter octave: a year of it takes no more room than a day.

/// Cells for each sign: from a thousandth of a watt over forty octaves.
const CELLS: usize = 160;
const PER_OCTAVE: f64 = 4.0;
const SMALLEST_LOG2: f64 = -10.0;

#[derive(Debug, Clone)]
pub(super) struct Sizes {
    positive: Vec<u64>,
    negative: Vec<u64>,
    zero: u64,
}

impl Default for Sizes {
    fn default() -> Sizes {
        Sizes { positive: vec![0; CELLS], negative: vec![0; CELLS], zero: 0 }
    }
}

fn cell(size: f64) -> Option<usize> {
    let place = ((size.log2() - SMALLEST_LOG2) * PER_OCTAVE).floor();
    (place >= 0.0).then(|| (place as usize).min(CELLS - 1))
}

/// The upper end of a cell.
fn end(place: usize) -> f64 {
    (SMALLEST_LOG2 + (place as f64 + 1.0) / PER_OCTAVE).exp2()
}

impl Sizes {
    pub(super) fn add(&mut self, watts: f64) {
        let side = if watts > 0.0 { &mut self.positive } else { &mut self.negative };
        match cell(watts.abs()).and_then(|place| side.get_mut(place)) {
            Some(count) => *count += 1,
            None => self.zero += 1,
        }
    }

    pub(super) fn count(&self) -> u64 {
        self.zero + self.positive.iter().chain(&self.negative).sum::<u64>()
    }

    /// The share read above `size`, and the share read below its negative; `size` counts to a fifth.
    pub(super) fn beyond(&self, size: f64) -> (f64, f64) {
        let first = cell(size).map_or(0, |place| place + 1);
        let share = |side: &[u64]| side.iter().skip(first).sum::<u64>() as f64 / (self.count().max(1)) as f64;
        (share(&self.positive), share(&self.negative))
    }

    /// Nearly the greatest size read: all but one in a thousand were at most this.
    pub(super) fn greatest(&self) -> f64 {
        let mut left = self.count() / 1000;
        for place in (0..CELLS).rev() {
            let here = self.positive.get(place).unwrap_or(&0) + self.negative.get(place).unwrap_or(&0);
            if here > left {
                return end(place);
            }
            left -= here;
        }
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_and_sizes_are_right_to_a_fifth() {
        let mut sizes = Sizes::default();
        (0..990).for_each(|i| sizes.add(100.0 + f64::from(i) / 100.0));
        (0..10).for_each(|_| sizes.add(-3000.0));
        assert_eq!(sizes.count(), 1000);
        assert_eq!(sizes.beyond(50.0), (0.99, 0.01));
        assert_eq!(sizes.beyond(5000.0), (0.0, 0.0));
        assert!((2900.0..3600.0).contains(&sizes.greatest()), "{}", sizes.greatest());
    }
}
