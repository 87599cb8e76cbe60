//! What every handler has at hand.

use std::sync::Arc;

use sqlx::PgPool;

use crate::config::Config;

/// Shared by all requests; cheap to clone.
#[derive(Debug, Clone)]
pub struct App {
    /// The database.
    pub pool: PgPool,
    /// The settings.
    pub config: Arc<Config>,
}
