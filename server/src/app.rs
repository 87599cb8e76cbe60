//! What every handler has at hand.

use std::sync::Arc;

use chrono::Utc;
use sqlx::PgPool;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;

use crate::{
    backtest, config::Config, detection, metrics::Metrics, on_call::OnCall, pages::StudyDesk, people::Gate,
    picture::Picture,
};

/// Shared by all requests; cheap to clone.
#[derive(Debug, Clone)]
pub struct App {
    /// The database.
    pub pool: PgPool,
    /// The settings.
    pub config: Arc<Config>,
    /// What signing in needs.
    pub gate: Arc<Gate>,
    /// What is counted of requests.
    pub metrics: Arc<Metrics>,
    /// The fleet as it is now.
    pub picture: Picture,
    /// Who is on call.
    pub on_call: OnCall,
    /// Cancelled when the server ends, so that streams do not hold it up.
    pub stop: CancellationToken,
    /// Lets one settings study at a time be computed.
    pub(crate) studies: Arc<StudyDesk>,
    /// How detection is doing.
    pub detection: Arc<detection::Status>,
    /// Pages that read weeks of readings take one of these: the rest of the server goes first.
    pub replays: Arc<Semaphore>,
    /// One backtest at a time.
    pub backtest: Arc<backtest::Turn>,
}

/// How many pages may read weeks of readings at once.
const REPLAYS: usize = 2;

impl App {
    /// An app on a database.
    #[must_use]
    pub fn new(pool: PgPool, config: Config) -> Self {
        Self {
            pool,
            config: Arc::new(config),
            gate: Arc::default(),
            metrics: Arc::default(),
            picture: Picture::new(Utc::now()),
            on_call: OnCall::default(),
            stop: CancellationToken::new(),
            studies: Arc::default(),
            detection: Arc::default(),
            backtest: Arc::default(),
            replays: Arc::new(Semaphore::new(REPLAYS)),
        }
    }
}
