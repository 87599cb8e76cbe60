//! Runs the conditions over the feed, exactly once, and records alarms.
