//! The sign of life to an outside address.

use std::time::Duration;

use regulator::Timestamp;
use reqwest::{Client, Url};
use sqlx::PgConnection;

use super::{
    Part,
    parts::{is_silent, life},
};

/// A beat that is not answered in this time has failed; the next one follows as planned.
const PATIENCE: Duration = Duration::from_secs(10);
/// Readings older than this are not polling.
const POLLING: chrono::TimeDelta = chrono::TimeDelta::seconds(60);

/// Where to beat, and how often.
#[derive(Debug, Clone)]
pub struct Heartbeat {
    url: Url,
    every: Duration,
    client: Client,
}

/// Why a heartbeat cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum Unusable {
    /// The address does not read, or is not of the web.
    #[error("“{0}” is no address of a heartbeat: it begins with https:// or http://")]
    Address(String),
    /// The HTTP client cannot be set up.
    #[error(transparent)]
    Client(#[from] reqwest::Error),
}

impl Heartbeat {
    /// A GET of `url` every `every` while all is well.
    ///
    /// # Errors
    /// When the address is of no use.
    pub fn new(url: &str, every: Duration) -> Result<Self, Unusable> {
        let bad = || Unusable::Address(url.to_owned());
        let parsed = Url::parse(url).map_err(|_| bad())?;
        if !matches!(parsed.scheme(), "http" | "https") {
            return Err(bad());
        }
        // The HTTP client asks for a process-wide choice; that another part has made it already is fine.
        drop(rustls::crypto::ring::default_provider().install_default());
        let client = Client::builder().timeout(PATIENCE).user_agent("Tapkeeper heartbeat").build()?;
        Ok(Self { url: parsed, every, client })
    }
}

/// When it last beat.
#[derive(Debug, Default)]
pub(super) struct Beat {
    last: Option<tokio::time::Instant>,
    quiet: bool,
}

impl Beat {
    /// Beats if it is time and all is well. Nothing waits for the answer: the watchdog goes on looking.
    pub(super) async fn beat(
        &mut self,
        heartbeat: &Heartbeat,
        connection: &mut PgConnection,
        now: Timestamp,
    ) -> sqlx::Result<()> {
        if self.last.is_some_and(|at| at.elapsed() < heartbeat.every) {
            return Ok(());
        }
        let ill = ailment(connection, now).await?;
        match &ill {
            Some(why) if !self.quiet => tracing::warn!("no heartbeat is sent: {why}"),
            None if self.quiet => tracing::info!("the heartbeat goes on"),
            _ => {}
        }
        self.quiet = ill.is_some();
        if ill.is_none() {
            self.last = Some(tokio::time::Instant::now());
            let request = heartbeat.client.get(heartbeat.url.clone());
            tokio::spawn(async move {
                let answer = request.send().await.and_then(reqwest::Response::error_for_status);
                if let Err(error) = answer {
                    // The address may hold a secret.
                    tracing::warn!("a heartbeat was not taken: {}", error.without_url());
                }
            });
        }
        Ok(())
    }
}

/// What keeps the heart from beating, if anything does.
pub(super) async fn ailment(connection: &mut PgConnection, now: Timestamp) -> sqlx::Result<Option<String>> {
    for part in Part::ALL {
        if is_silent(life(&mut *connection, part, now).await?, now) {
            return Ok(Some(format!("{} gives no sign of life", part.name())));
        }
    }
    let standing = sqlx::query_scalar!(
        r#"select condition from alarm_point
            where part is not null and condition <> 'messages_undelivered'
              and process in ('unannounced', 'unacknowledged', 'acknowledged') limit 1"#
    )
    .fetch_optional(&mut *connection)
    .await?;
    if let Some(condition) = standing {
        return Ok(Some(format!("{condition} stands")));
    }
    let written =
        sqlx::query_scalar!("select max(written_at) from reading_batch").fetch_one(connection).await?;
    Ok(match written {
        Some(at) if now - at <= POLLING => None,
        Some(_) => Some("no poller writes".to_owned()),
        None => Some("no poller has written yet".to_owned()),
    })
}
