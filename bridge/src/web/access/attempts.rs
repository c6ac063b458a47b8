//! How often a login may be tried: from one address, and in all.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::web::crowd::neighbourhood;

/// Wrong passwords from one address before it has to wait.
const FREE_HERE: u32 = 5;

/// The longest wait of one address.
const LONGEST_HERE: Duration = Duration::from_secs(15 * 60);

/// Wrong passwords from all addresses together before all have to wait.
const FREE_IN_ALL: u32 = 40;

/// The longest wait for all: short, so that whoever guesses from many addresses can't keep the household out for long.
const LONGEST_IN_ALL: Duration = Duration::from_secs(30);

/// The first wait; each further one is twice as long.
const FIRST: Duration = Duration::from_secs(2);

/// Wrong passwords are forgotten after this long without another one.
const FORGOTTEN_AFTER: Duration = Duration::from_secs(3600);

/// Addresses that are remembered; beyond it the one that was quiet for longest is forgotten.
const ADDRESSES: usize = 1024;

/// Wrong passwords in a row.
#[derive(Debug, Clone, Copy)]
struct Tries {
    wrong: u32,
    last: Instant,
}

impl Tries {
    fn none(now: Instant) -> Tries {
        Tries { wrong: 0, last: now }
    }

    fn forget(&mut self, now: Instant) {
        if now.saturating_duration_since(self.last) >= FORGOTTEN_AFTER {
            self.wrong = 0;
        }
    }

    fn count(&mut self, now: Instant) {
        self.wrong = self.wrong.saturating_add(1);
        self.last = now;
    }

    /// How long to wait still.
    fn wait(&self, (free, longest): (u32, Duration), now: Instant) -> Option<Duration> {
        let beyond = self.wrong.checked_sub(free)?;
        let wait = FIRST.saturating_mul(2_u32.saturating_pow(beyond.min(16))).min(longest);
        let left = wait.saturating_sub(now.saturating_duration_since(self.last));
        (!left.is_zero()).then_some(left)
    }
}

/// What was tried.
#[derive(Debug, Default)]
pub(super) struct Attempts {
    by_address: BTreeMap<IpAddr, Tries>,
    in_all: Option<Tries>,
}

impl Attempts {
    /// Begins an attempt from `address`. It counts as a wrong password until it [succeeded](Attempts::succeeded), so that
    /// many at once gain nothing.
    ///
    /// # Errors
    /// How long to wait before the next attempt.
    pub(super) fn begin(&mut self, address: IpAddr, now: Instant) -> Result<(), Duration> {
        let address = neighbourhood(address);
        let in_all = self.in_all.get_or_insert_with(|| Tries::none(now));
        in_all.forget(now);
        let here = self.by_address.entry(address).or_insert_with(|| Tries::none(now));
        here.forget(now);
        let waits =
            [here.wait((FREE_HERE, LONGEST_HERE), now), in_all.wait((FREE_IN_ALL, LONGEST_IN_ALL), now)];
        if let Some(wait) = waits.into_iter().flatten().max() {
            return Err(wait);
        }
        here.count(now);
        in_all.count(now);
        self.bound();
        Ok(())
    }

    /// The attempt was right.
    pub(super) fn succeeded(&mut self, address: IpAddr) {
        self.by_address.remove(&neighbourhood(address));
        if let Some(in_all) = &mut self.in_all {
            in_all.wrong = in_all.wrong.saturating_sub(1);
        }
    }

    fn bound(&mut self) {
        while self.by_address.len() > ADDRESSES {
            let quiet =
                self.by_address.iter().min_by_key(|(_, tries)| tries.last).map(|(address, _)| *address);
            let Some(quiet) = quiet else { return };
            self.by_address.remove(&quiet);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn address(last: u8) -> IpAddr {
        IpAddr::from([192, 168, 1, last])
    }

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn waits_grow_and_are_bounded_and_a_right_password_ends_them() {
        let (mut attempts, mut now) = (Attempts::default(), Instant::now());
        for _ in 0..FREE_HERE {
            assert_eq!(attempts.begin(address(1), now), Ok(()));
        }
        let mut waits = Vec::new();
        for _ in 0..12 {
            let wait = attempts.begin(address(1), now).unwrap_err();
            waits.push(wait.as_secs());
            assert!(attempts.begin(address(1), now + wait - SECOND).is_err());
            now += wait;
            assert_eq!(attempts.begin(address(1), now), Ok(()));
        }
        assert_eq!(waits, [2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]);
        assert_eq!(attempts.begin(address(2), now), Ok(()), "another address");
        attempts.succeeded(address(1));
        assert_eq!(attempts.begin(address(1), now), Ok(()));
    }

    #[test]
    fn guessing_from_many_addresses_slows_all_but_not_for_long() {
        let (mut attempts, mut now) = (Attempts::default(), Instant::now());
        for n in 0..FREE_IN_ALL {
            assert_eq!(attempts.begin(address(n as u8), now), Ok(()));
        }
        for _ in 0..20 {
            let wait = attempts.begin(address(200), now).unwrap_err();
            assert!(wait <= LONGEST_IN_ALL);
            now += wait;
            assert_eq!(attempts.begin(address(201), now), Ok(()));
            attempts.by_address.clear();
        }
    }

    #[test]
    fn what_was_wrong_long_ago_is_forgotten_and_memory_is_bounded() {
        let (mut attempts, now) = (Attempts::default(), Instant::now());
        for _ in 0..FREE_HERE {
            attempts.begin(address(1), now).unwrap();
        }
        assert!(attempts.begin(address(1), now).is_err());
        assert_eq!(attempts.begin(address(1), now + FORGOTTEN_AFTER), Ok(()));
        for n in 0..2 * ADDRESSES as u32 {
            attempts.in_all = None;
            attempts.begin(IpAddr::from(n.to_be_bytes()), now).unwrap();
        }
        assert!(attempts.by_address.len() <= ADDRESSES + 1);
    }
}
