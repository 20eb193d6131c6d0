//! How long whoever guessed wrong has to wait.
//!
//! OWASP ASVS 5.0, 6.3.1: guessing is slowed by a rule that is written down and that locks nobody out
//! for good. Five attempts are free; then a wait of half a minute that doubles with each further
//! failure up to a quarter of an hour. After a quarter of an hour without a failure all is forgotten.
//! The rule holds for each address and, except for this computer itself, for all of them together.

use std::{
    collections::BTreeMap,
    net::{IpAddr, Ipv6Addr},
};

use crate::watch::{Stamp, reading::MINUTE_MS};

/// Failures before anyone has to wait.
const FREE: u32 = 5;
/// The first wait, in milliseconds.
const FIRST_MS: i64 = MINUTE_MS / 2;
/// The longest wait, and the quiet after which failures are forgotten, in milliseconds.
const LONGEST_MS: i64 = 15 * MINUTE_MS;
/// Addresses that are remembered; at the limit the one that may try again soonest is forgotten.
const ADDRESSES: usize = 1000;

/// Failures of one address, or of all.
#[derive(Debug, Clone, Copy)]
struct Streak {
    failures: u32,
    last: Stamp,
}

impl Streak {
    const NONE: Self = Self {
        failures: 0,
        last: Stamp(0),
    };

    /// When the next attempt is looked at.
    fn until(self) -> Stamp {
        match self.failures.checked_sub(FREE) {
            None => self.last,
            Some(beyond) => {
                let wait = FIRST_MS.saturating_mul(1 << beyond.min(20));
                self.last.plus(wait.min(LONGEST_MS))
            }
        }
    }

    fn forgotten(self, now: Stamp) -> bool {
        // A clock that was set back must not lock anybody out for longer.
        let quiet = now.since(self.until());
        LONGEST_MS <= quiet || now < self.last
    }

    fn fail(&mut self, now: Stamp) {
        if self.forgotten(now) {
            self.failures = 0;
        }
        self.failures += 1;
        self.last = now;
    }
}

/// Counts failures; asks no clock.
#[derive(Debug)]
pub struct Throttle {
    all: Streak,
    each: BTreeMap<IpAddr, Streak>,
}

impl Default for Throttle {
    fn default() -> Self {
        Self {
            all: Streak::NONE,
            each: BTreeMap::new(),
        }
    }
}

/// What counts as one address: with IPv6 a household has a whole network of them (RFC 4291, 2.5.4).
fn household(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(v6) if !v6.is_loopback() => {
            let network = u128::from(v6) & !u128::from(u64::MAX);
            IpAddr::V6(Ipv6Addr::from(network))
        }
        other => other,
    }
}

impl Throttle {
    /// Begins an attempt, counted as a failure until it is told otherwise, so that many at once are
    /// no way around. `Err` is the wait in milliseconds.
    pub fn begin(&mut self, peer: IpAddr, now: Stamp) -> Result<(), i64> {
        let peer = household(peer);
        let own = self.each.get(&peer).copied().unwrap_or(Streak::NONE);
        let mut until = if own.forgotten(now) { now } else { own.until() };
        if !peer.is_loopback() && !self.all.forgotten(now) {
            until = until.max(self.all.until());
        }
        let wait = until.since(now);
        if 0 < wait {
            return Err(wait);
        }
        if !peer.is_loopback() {
            self.all.fail(now);
        }
        self.make_room(now);
        self.each.entry(peer).or_insert(Streak::NONE).fail(now);
        Ok(())
    }

    /// The attempt was right: this address starts afresh.
    pub fn right(&mut self, peer: IpAddr) {
        let peer = household(peer);
        self.each.remove(&peer);
        self.take_back(peer);
    }

    /// The attempt was not looked at.
    pub fn undo(&mut self, peer: IpAddr) {
        let peer = household(peer);
        if let Some(own) = self.each.get_mut(&peer) {
            own.failures = own.failures.saturating_sub(1);
        }
        self.take_back(peer);
    }

    fn take_back(&mut self, peer: IpAddr) {
        if !peer.is_loopback() {
            self.all.failures = self.all.failures.saturating_sub(1);
        }
    }

    fn make_room(&mut self, now: Stamp) {
        if self.each.len() < ADDRESSES {
            return;
        }
        self.each.retain(|_, s| !s.forgotten(now));
        if ADDRESSES <= self.each.len()
            && let Some(soonest) = self
                .each
                .iter()
                .min_by_key(|(_, s)| s.until())
                .map(|e| *e.0)
        {
            self.each.remove(&soonest);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1));
    const B: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 2));
    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    #[test]
    fn five_are_free_then_the_wait_doubles_up_to_a_quarter_of_an_hour() {
        let mut throttle = Throttle::default();
        let mut now = Stamp(1_000_000);
        for _ in 0..5 {
            assert_eq!(throttle.begin(A, now), Ok(()));
        }
        for seconds in [30, 60, 120, 240, 480, 900, 900] {
            assert_eq!(throttle.begin(A, now), Err(seconds * 1000));
            now = now.plus(seconds * 1000 - 1);
            assert_eq!(throttle.begin(A, now), Err(1));
            now = now.plus(1);
            assert_eq!(throttle.begin(A, now), Ok(()));
        }
        // A wait and a quiet quarter of an hour.
        now = now.plus(2 * LONGEST_MS);
        for _ in 0..5 {
            assert_eq!(throttle.begin(A, now), Ok(()));
        }
        assert!(throttle.begin(A, now).is_err());
    }

    #[test]
    fn others_share_the_wait_but_not_this_computer() {
        let mut throttle = Throttle::default();
        let now = Stamp(1_000_000);
        for _ in 0..5 {
            assert_eq!(throttle.begin(A, now), Ok(()));
        }
        assert_eq!(throttle.begin(B, now), Err(30_000));
        assert_eq!(throttle.begin(HERE, now), Ok(()));
    }

    #[test]
    fn a_right_one_is_no_failure_and_one_not_looked_at_neither() {
        let mut throttle = Throttle::default();
        let now = Stamp(1_000_000);
        for _ in 0..50 {
            assert_eq!(throttle.begin(A, now), Ok(()));
            throttle.right(A);
            assert_eq!(throttle.begin(B, now), Ok(()));
            throttle.undo(B);
        }
    }

    #[test]
    fn one_network_is_one_household_and_the_list_is_bounded() {
        let mut throttle = Throttle::default();
        let now = Stamp(1_000_000);
        for n in 0..5u8 {
            let peer: IpAddr = format!("2001:db8::{n}").parse().unwrap();
            assert_eq!(throttle.begin(peer, now), Ok(()));
        }
        assert_eq!(throttle.each.len(), 1);
        for n in 0..3000u32 {
            let peer = IpAddr::V4(std::net::Ipv4Addr::from(0x0a00_0000 + n));
            let later = now.plus(i64::from(n) * 3 * LONGEST_MS);
            let _ = throttle.begin(peer, later);
            assert!(throttle.each.len() <= ADDRESSES);
        }
    }

    #[test]
    fn a_clock_set_back_locks_nobody_out() {
        let mut throttle = Throttle::default();
        let now = Stamp(100 * LONGEST_MS);
        for _ in 0..5 {
            assert_eq!(throttle.begin(A, now), Ok(()));
        }
        assert_eq!(throttle.begin(A, now.plus(-1)), Ok(()));
    }
}
