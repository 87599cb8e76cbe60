//! Slows down guessing: attempts to sign in are counted per address and per source, in memory, per server.

use std::{
    collections::HashMap,
    net::{IpAddr, Ipv6Addr},
    sync::Mutex,
    time::{Duration, Instant},
};

/// Over this time attempts are counted.
const WINDOW: Duration = Duration::from_secs(15 * 60);
/// Attempts for one address.
const PER_ADDRESS: u32 = 10;
/// Attempts from one source: an office may sit behind one.
const PER_SOURCE: u32 = 60;
/// Keys remembered; beyond it the ones whose window has passed are forgotten first, then all.
const REMEMBERED: usize = 20_000;

/// Counts attempts.
#[derive(Debug, Default)]
pub(crate) struct Limiter {
    counts: Mutex<HashMap<Key, Count>>,
}

#[derive(Debug, PartialEq, Eq, Hash)]
enum Key {
    Address(String),
    Source(IpAddr),
}

#[derive(Debug)]
struct Count {
    since: Instant,
    attempts: u32,
}

/// Too many attempts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Refused {
    /// When to try again.
    pub(crate) wait: Duration,
}

impl Limiter {
    /// Counts one attempt before anything is checked.
    ///
    /// # Errors
    /// [`Refused`] when the address or the source has used up its attempts.
    pub(crate) fn attempt(&self, address: &str, source: Option<IpAddr>, now: Instant) -> Result<(), Refused> {
        let mut counts = self.counts.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if counts.len() >= REMEMBERED {
            counts.retain(|_, count| now.duration_since(count.since) < WINDOW);
            if counts.len() >= REMEMBERED {
                counts.clear();
            }
        }
        let mut result = count(&mut counts, Key::Address(normal(address)), PER_ADDRESS, now);
        if let Some(source) = source {
            result = result.and(count(&mut counts, Key::Source(network(source)), PER_SOURCE, now));
        }
        result
    }

    /// A success: the address starts afresh. The source does not, else one own account would reset it.
    pub(crate) fn succeeded(&self, address: &str) {
        let mut counts = self.counts.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        counts.remove(&Key::Address(normal(address)));
    }
}

fn count(counts: &mut HashMap<Key, Count>, key: Key, most: u32, now: Instant) -> Result<(), Refused> {
    let count = counts.entry(key).or_insert(Count { since: now, attempts: 0 });
    if now.duration_since(count.since) >= WINDOW {
        *count = Count { since: now, attempts: 0 };
    }
    count.attempts = count.attempts.saturating_add(1);
    if count.attempts > most {
        return Err(Refused { wait: WINDOW.saturating_sub(now.duration_since(count.since)) });
    }
    Ok(())
}

fn normal(address: &str) -> String {
    address.trim().chars().take(320).collect::<String>().to_lowercase()
}

/// One holder of an IPv6 network has 2^64 addresses, so its network counts.
fn network(source: IpAddr) -> IpAddr {
    match source.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX))),
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: Option<IpAddr> = Some(IpAddr::V4(std::net::Ipv4Addr::LOCALHOST));

    #[test]
    fn the_eleventh_attempt_for_an_address_waits_for_the_window() {
        let (limiter, start) = (Limiter::default(), Instant::now());
        for _ in 0..10 {
            assert_eq!(limiter.attempt("ann@example.org", HERE, start), Ok(()));
        }
        let later = start + Duration::from_secs(60);
        let refused = limiter.attempt(" ANN@example.org", HERE, later).unwrap_err();
        assert_eq!(refused.wait, Duration::from_secs(14 * 60));
        assert_eq!(limiter.attempt("bob@example.org", HERE, later), Ok(()), "others are not held up");
        assert_eq!(limiter.attempt("ann@example.org", HERE, start + WINDOW), Ok(()));
    }

    #[test]
    fn a_source_that_tries_many_addresses_is_refused_and_others_are_not() {
        let (limiter, now) = (Limiter::default(), Instant::now());
        for n in 0..60 {
            assert_eq!(limiter.attempt(&format!("{n}@example.org"), HERE, now), Ok(()));
        }
        assert!(limiter.attempt("another@example.org", HERE, now).is_err());
        let elsewhere = Some("192.0.2.7".parse().unwrap());
        assert_eq!(limiter.attempt("another@example.org", elsewhere, now), Ok(()));
    }

    #[test]
    fn a_success_gives_the_address_a_fresh_start() {
        let (limiter, now) = (Limiter::default(), Instant::now());
        for _ in 0..10 {
            assert_eq!(limiter.attempt("ann@example.org", None, now), Ok(()));
        }
        limiter.succeeded("Ann@example.org");
        assert_eq!(limiter.attempt("ann@example.org", None, now), Ok(()));
    }

    #[test]
    fn a_whole_ipv6_network_counts_as_one_source() {
        let one = network("2001:db8:1:2:3::4".parse().unwrap());
        assert_eq!(one, network("2001:db8:1:2:ffff::1".parse().unwrap()));
        assert_ne!(one, network("2001:db8:1:3::4".parse().unwrap()));
        assert_eq!(network("::ffff:192.0.2.1".parse().unwrap()), network("192.0.2.1".parse().unwrap()));
    }
}
