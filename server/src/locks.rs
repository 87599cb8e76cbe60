//! The keys of the server's advisory locks, all in one place so that no two are the same. (The feed has 7205759, partitions 7205760.)

/// Held by the server that runs detection.
pub(crate) const DETECTION: i64 = 7_205_770;
/// Held by the server that runs the analysis.
pub(crate) const ANALYSIS: i64 = 7_205_771;
/// Held by the server that runs the clock of the alarms.
pub(crate) const CLOCK: i64 = 7_205_772;
/// Held by the server that runs the watchdog.
pub(crate) const WATCHDOG: i64 = 7_205_773;
/// Held to the end of a transaction that moves several alarms, so that two such do not wait for one another in a circle. (A person
/// moves one.)
pub(crate) const MANY_ALARMS: i64 = 7_205_774;
/// Held while messages of one way are claimed: one key a way, from this one on.
pub(crate) const CLAIMS: i64 = 7_205_780;
