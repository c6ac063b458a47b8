//! How many connections there are, in all and from each address, so that a flood takes neither the memory nor the file
//! handles that control needs.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The connections there are.
#[derive(Debug, Clone, Default)]
pub(crate) struct Crowd(Arc<Mutex<BTreeMap<IpAddr, usize>>>);

/// One connection; it is counted until this is dropped.
#[derive(Debug)]
pub(crate) struct Place {
    crowd: Crowd,
    address: IpAddr,
}

impl Crowd {
    /// Counts one more connection from `address`; `None` when there are `most` in all, or `each` from there. This very
    /// computer, and a proxy on it, may have all of them.
    pub(super) fn enter(&self, address: IpAddr, (most, each): (usize, usize)) -> Option<Place> {
        let here = address.to_canonical().is_loopback();
        let address = neighbourhood(address);
        let mut counts = self.counts();
        let count = counts.get(&address).copied().unwrap_or(0);
        if counts.values().sum::<usize>() >= most || (!here && count >= each) {
            return None;
        }
        counts.insert(address, count + 1);
        Some(Place { crowd: self.clone(), address })
    }

    /// Connections now.
    pub(crate) fn size(&self) -> usize {
        self.counts().values().sum()
    }

    fn counts(&self) -> MutexGuard<'_, BTreeMap<IpAddr, usize>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut counts = self.crowd.counts();
        let left = counts.get(&self.address).map_or(0, |count| count.saturating_sub(1));
        match left {
            0 => counts.remove(&self.address),
            left => counts.insert(self.address, left),
        };
    }
}

/// What counts as one address. One household, or one machine, has a whole /64 of IPv6 addresses (RFC 6177).
pub(crate) fn neighbourhood(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) if !v6.is_loopback() => {
            IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX)))
        }
        address => address,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const LIMITS: (usize, usize) = (4, 2);

    #[test]
    fn connections_are_counted_in_all_and_by_address() {
        let crowd = Crowd::default();
        let from = |last| crowd.enter(IpAddr::from([192, 168, 1, last]), LIMITS);
        let (one, two) = (from(1).unwrap(), from(1).unwrap());
        assert!(from(1).is_none(), "two from each");
        let others = (from(2).unwrap(), from(3).unwrap());
        assert!(from(4).is_none(), "four in all");
        assert_eq!(crowd.size(), 4);
        drop((one, others));
        assert_eq!(crowd.size(), 1);
        assert!(from(1).is_some());
        drop(two);
        assert_eq!(crowd.size(), 0);
    }

    #[test]
    fn this_computer_may_have_all_of_them() {
        let crowd = Crowd::default();
        let here = || crowd.enter(IpAddr::from([127, 0, 0, 1]), LIMITS);
        let all: Vec<_> = (0..4).map(|_| here().unwrap()).collect();
        assert!(here().is_none());
        drop(all);
    }

    #[test]
    fn addresses_of_one_network_count_as_one() {
        let at = |text: &str| neighbourhood(text.parse().unwrap());
        assert_eq!(at("2001:db8:1:2::1"), at("2001:db8:1:2:ffff::9"));
        assert_ne!(at("2001:db8:1:2::1"), at("2001:db8:1:3::1"));
        assert_eq!(at("::ffff:192.168.1.1"), IpAddr::from([192, 168, 1, 1]));
    }
}
