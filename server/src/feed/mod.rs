//! Following the feed: batches of readings in the order they were committed, each exactly once.
