//! What every handler has at hand.

use std::sync::Arc;

use sqlx::PgPool;

use crate::{config::Config, people::Gate};

/// Shared by all requests; cheap to clone.
#[derive(Debug, Clone)]
pub struct App {
    /// The database.
    pub pool: PgPool,
    /// The settings.
    pub config: Arc<Config>,
    /// What signing in needs.
    pub gate: Arc<Gate>,
}

impl App {
    /// An app on a database.
    #[must_use]
    pub fn new(pool: PgPool, config: Config) -> Self {
        Self { pool, config: Arc::new(config), gate: Arc::default() }
    }
}
