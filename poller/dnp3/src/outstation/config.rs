//! How an outstation behaves when it behaves.

use std::time::Duration;

use crate::application::MAX_FRAGMENT;
use crate::link::Address;

/// One outstation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SessionConfig {
    /// Its own link address.
    pub address: Address,
    /// Whom unsolicited responses go to. Requests are answered to whoever sent them.
    pub master: Address,
    /// Longest fragment that it sends, bytes; [`MAX_FRAGMENT`] at most. A single value that does not fit goes out alone all the same.
    pub max_fragment: usize,
    /// How long it waits for the confirmation of a solicited response.
    pub confirm_timeout: Duration,
    /// Whether it asks for the time after each restart.
    pub need_time: bool,
    /// How far its clock is ahead of UTC until somebody sets it, milliseconds; negative when it is behind.
    pub clock_offset_ms: i64,
    /// How it reports by itself; without, the functions that concern it are refused.
    pub unsolicited: Option<UnsolicitedConfig>,
}

impl SessionConfig {
    /// An outstation with a right clock, which speaks only when it is asked.
    #[must_use]
    pub const fn new(address: Address, master: Address) -> Self {
        Self {
            address,
            master,
            max_fragment: MAX_FRAGMENT,
            confirm_timeout: Duration::from_secs(10),
            need_time: false,
            clock_offset_ms: 0,
            unsolicited: None,
        }
    }
}

/// How an outstation reports by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UnsolicitedConfig {
    /// How long it waits for a confirmation before it sends the same again.
    pub confirm_timeout: Duration,
    /// How often it sends events again before it gives up for a while. The empty response after a restart is sent until it is
    /// confirmed.
    pub retries: u32,
    /// How long it then leaves the master alone.
    pub pause: Duration,
    /// How long the first event waits for others.
    pub hold: Duration,
    /// How many events are too many to wait any longer.
    pub hold_count: usize,
}

impl Default for UnsolicitedConfig {
    fn default() -> Self {
        Self {
            confirm_timeout: Duration::from_secs(5),
            retries: 3,
            pause: Duration::from_secs(60),
            hold: Duration::from_secs(1),
            hold_count: 10,
        }
    }
}
