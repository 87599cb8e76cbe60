//! What notification needs to be told.

use std::{path::PathBuf, time::Duration};

use ipnet::IpNet;
pub use oncall::cap::Cap;
use secrecy::SecretString;

/// Settings of notification. The default has no mail server and lets webhooks reach public addresses only.
#[derive(Debug, Clone)]
pub struct Config {
    /// The mail server; without one, e-mails wait, each with the reason, and are given up in time.
    pub smtp: Option<Smtp>,
    /// How webhooks are sent.
    pub webhook: Webhook,
    /// When failed attempts are repeated.
    pub schedule: Schedule,
    /// How many messages a recipient gets by one way in a while; what is beyond becomes one summary. Webhooks to programs have no cap.
    pub cap: Cap,
    /// How long a claim lasts unless renewed: the longest delay that a killed server adds to a message it was sending.
    pub claim: Duration,
    /// How often to look for due messages when nothing else says that there are some.
    pub poll_interval: Duration,
    /// E-mails under way at once, and as many text messages by e-mail.
    pub emails_at_once: usize,
    /// Webhooks under way at once, and as many text messages by HTTP.
    pub webhooks_at_once: usize,
    /// How long messages under way may take to finish when told to stop.
    pub grace: Duration,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            smtp: None,
            webhook: Webhook::default(),
            schedule: Schedule::default(),
            cap: Cap::default(),
            claim: Duration::from_secs(30),
            poll_interval: Duration::from_secs(2),
            emails_at_once: 4,
            webhooks_at_once: 16,
            grace: Duration::from_secs(10),
        }
    }
}

/// A mail server that takes messages for delivery.
#[derive(Debug, Clone)]
pub struct Smtp {
    /// Its name, which its certificate must bear.
    pub host: String,
    /// Its port: commonly 587 with [`Tls::Required`], 465 with [`Tls::Wrapped`].
    pub port: u16,
    /// How the connection is protected.
    pub tls: Tls,
    /// The account, if it asks for one.
    pub user: Option<String>,
    /// The account's password.
    pub password: Option<SecretString>,
    /// Who messages come from: `Tapkeeper <tapkeeper@example.org>`.
    pub from: String,
    /// PEM file of certificates to trust besides the system's, for a mail server inside the utility.
    pub ca_file: Option<PathBuf>,
    /// Longest wait for the server at any step before the message is handed over.
    pub step_timeout: Duration,
    /// Longest wait for its word that it has taken the message. Generous: giving up here may deliver twice.
    pub hand_over_timeout: Duration,
}

impl Smtp {
    /// A mail server without an account, with the usual waiting times.
    #[must_use]
    pub fn new(host: &str, port: u16, tls: Tls, from: &str) -> Self {
        Self {
            host: host.to_owned(),
            port,
            tls,
            user: None,
            password: None,
            from: from.to_owned(),
            ca_file: None,
            step_timeout: Duration::from_secs(30),
            hand_over_timeout: Duration::from_secs(120),
        }
    }
}

/// How a connection to the mail server is protected. There is no "if offered": what is not required can be taken away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tls {
    /// Begins in the clear and must become TLS by STARTTLS before anything is said (RFC 3207).
    Required,
    /// TLS from the first byte (RFC 8314).
    Wrapped,
    /// In the clear, to a server on this machine only.
    PlainLoopbackOnly,
}

/// How webhooks are sent.
#[derive(Debug, Clone)]
pub struct Webhook {
    /// Networks that receivers may be in though they are not public; only there may an address begin with `http:`.
    pub allow: Vec<IpNet>,
    /// Longest wait for the whole answer.
    pub timeout: Duration,
}

impl Default for Webhook {
    fn default() -> Self {
        Self { allow: Vec::new(), timeout: Duration::from_secs(15) }
    }
}

/// When failed attempts are repeated.
#[derive(Debug, Clone)]
pub struct Schedule {
    /// The delay after the first failure, the second, ...; the last one repeats.
    pub delays: Vec<Duration>,
    /// A message older than this is not tried again after a failure.
    pub give_up_after: Duration,
}

impl Default for Schedule {
    /// Faster than mail servers do among themselves (RFC 5321 section 4.5.4.1: half an hour), because someone waits.
    fn default() -> Self {
        Self {
            delays: [10, 20, 40, 90, 180, 300, 600, 900].map(Duration::from_secs).to_vec(),
            give_up_after: Duration::from_secs(24 * 3600),
        }
    }
}

/// Longest wait that a receiver's Retry-After is granted.
const LONGEST_RETRY_AFTER: Duration = Duration::from_secs(3600);

impl Schedule {
    /// How long to wait after the `attempt`th attempt failed (the first is 1). `luck`, from 0 to 1, spreads the delay by a
    /// fifth to either side, so that what failed together does not come back together. A receiver's own wish wins if
    /// it is longer.
    pub(crate) fn delay(&self, attempt: i32, wish: Option<Duration>, luck: f64) -> Duration {
        let failures = usize::try_from(attempt.max(1) - 1).unwrap_or(0);
        let base =
            self.delays.get(failures).or(self.delays.last()).copied().unwrap_or(Duration::from_secs(60));
        let spread = base.mul_f64(0.8 + 0.4 * luck.clamp(0.0, 1.0));
        spread.max(wish.unwrap_or_default().min(LONGEST_RETRY_AFTER))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn schedule() -> Schedule {
        Schedule { delays: [10, 100].map(Duration::from_secs).to_vec(), ..Schedule::default() }
    }

    #[test]
    fn delays_follow_the_list_and_its_last_repeats() {
        let seconds = |attempt| schedule().delay(attempt, None, 0.5).as_secs();
        assert_eq!([1, 2, 3, 50].map(seconds), [10, 100, 100, 100]);
    }

    #[test]
    fn luck_spreads_a_delay_by_a_fifth_to_either_side() {
        assert_eq!(schedule().delay(1, None, 0.0), Duration::from_secs(8));
        assert_eq!(schedule().delay(1, None, 1.0), Duration::from_secs(12));
    }

    #[test]
    fn a_receivers_wish_wins_when_it_is_longer_but_not_beyond_an_hour() {
        let wish = |seconds| schedule().delay(1, Some(Duration::from_secs(seconds)), 0.5).as_secs();
        assert_eq!([1, 60, 86_400].map(wish), [10, 60, 3600]);
    }
}
