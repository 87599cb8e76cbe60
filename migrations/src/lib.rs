//! The schema, embedded in the program. The SQL files beside this crate are the contract between poller and server.

/// Brings a database to the present schema; harmless when it is there already.
pub static MIGRATOR: sqlx::migrate::Migrator = sqlx::migrate!("../migrations");
