//! Who is logged in, and for how long. Kept in memory alone: after a restart everybody logs in again.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::random;

/// A sitting that nobody uses ends after this.
const IDLE: Duration = Duration::from_secs(12 * 3600);

/// A sitting ends after this, used or not.
pub(super) const LONGEST: Duration = Duration::from_secs(7 * 24 * 3600);

/// Sittings at one time; another one takes the place of the one that was not used for longest.
const MOST: usize = 256;

/// What stands for a sitting's secret id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Mark([u8; 32]);

impl Mark {
    /// Of the id that a cookie carries.
    pub(super) fn of(id: &str) -> Mark {
        Mark(random::digest(id))
    }
}

/// One user at one browser.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Sitting {
    /// The user's place in the home file.
    pub(super) user: usize,
    /// What its forms carry.
    pub(super) proof: String,
    /// Which password opened it: when the user's changes, it ends.
    pub(super) opened_by: [u8; 32],
    began: Instant,
    used: Instant,
}

/// All sittings.
#[derive(Debug, Default)]
pub(super) struct Sittings(BTreeMap<Mark, Sitting>);

impl Sittings {
    /// Begins one, and gives its secret id.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn begin(&mut self, user: usize, opened_by: [u8; 32], now: Instant) -> Result<String, String> {
        let (id, proof) = (random::word()?, random::word()?);
        self.0.retain(|_, sitting| sitting.lasts(now));
        while self.0.len() >= MOST {
            let oldest = self.0.iter().min_by_key(|(_, sitting)| sitting.used).map(|(mark, _)| *mark);
            let Some(oldest) = oldest else { break };
            self.0.remove(&oldest);
        }
        let sitting = Sitting { user, proof, opened_by, began: now, used: now };
        self.0.insert(Mark::of(&id), sitting);
        Ok(id)
    }

    /// The sitting behind `mark`, which is used by asking; `None` once it ended.
    pub(super) fn find(&mut self, mark: &Mark, now: Instant) -> Option<Sitting> {
        if !self.0.get(mark)?.lasts(now) {
            self.0.remove(mark);
            return None;
        }
        let sitting = self.0.get_mut(mark)?;
        sitting.used = sitting.used.max(now);
        Some(sitting.clone())
    }

    /// Whether it has not ended; it is used by asking.
    pub(super) fn touch(&mut self, mark: &Mark, now: Instant) -> bool {
        self.find(mark, now).is_some()
    }

    /// Ends it.
    pub(super) fn end(&mut self, mark: &Mark) {
        self.0.remove(mark);
    }
}

impl Sitting {
    fn lasts(&self, now: Instant) -> bool {
        now.saturating_duration_since(self.used) < IDLE && now.saturating_duration_since(self.began) < LONGEST
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const HOUR: Duration = Duration::from_secs(3600);

    #[test]
    fn a_sitting_ends_when_it_is_not_used_and_at_the_latest_after_a_week() {
        let (mut sittings, began) = (Sittings::default(), Instant::now());
        let id = sittings.begin(0, [0; 32], began).unwrap();
        let mark = Mark::of(&id);
        assert!(sittings.find(&mark, began + 11 * HOUR).is_some());
        assert!(sittings.find(&mark, began + 22 * HOUR).is_some(), "used in between");
        assert!(sittings.find(&mark, began + 35 * HOUR).is_none());
        assert!(sittings.find(&mark, began + 22 * HOUR).is_none(), "gone for good");

        let mark = Mark::of(&sittings.begin(0, [0; 32], began).unwrap());
        for hour in (0..168).step_by(6) {
            assert!(sittings.touch(&mark, began + hour * HOUR));
        }
        assert!(!sittings.touch(&mark, began + 168 * HOUR));
    }

    #[test]
    fn ids_and_proofs_differ_and_only_the_id_opens() {
        let (mut sittings, now) = (Sittings::default(), Instant::now());
        let (one, other) =
            (sittings.begin(0, [0; 32], now).unwrap(), sittings.begin(0, [0; 32], now).unwrap());
        assert_ne!(one, other);
        let found = sittings.find(&Mark::of(&one), now).unwrap();
        assert_ne!(found.proof, sittings.find(&Mark::of(&other), now).unwrap().proof);
        assert!(sittings.find(&Mark::of(&found.proof), now).is_none());
        sittings.end(&Mark::of(&one));
        assert!(!sittings.touch(&Mark::of(&one), now) && sittings.touch(&Mark::of(&other), now));
    }

    #[test]
    fn their_number_is_bounded_and_the_one_left_longest_goes() {
        let (mut sittings, began) = (Sittings::default(), Instant::now());
        let first = Mark::of(&sittings.begin(0, [0; 32], began).unwrap());
        let second = Mark::of(&sittings.begin(0, [0; 32], began).unwrap());
        assert!(sittings.touch(&first, began + Duration::from_secs(1)));
        for _ in 0..MOST - 1 {
            sittings.begin(1, [0; 32], began + Duration::from_secs(2)).unwrap();
        }
        assert_eq!(sittings.0.len(), MOST);
        assert!(sittings.touch(&first, began + Duration::from_secs(3)));
        assert!(!sittings.touch(&second, began + Duration::from_secs(3)));
    }
}
