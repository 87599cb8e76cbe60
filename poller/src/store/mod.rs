//! Writes readings: batched, idempotent, kept in memory while the database is away.
