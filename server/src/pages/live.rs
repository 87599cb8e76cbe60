//! Live updates of the board, as server-sent events.
//!
//! Nothing is queued for a browser: it is told what has changed since the version it last got, so a slow one gets fewer and
//! larger events, and one that comes back after a break goes on from where it was.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Router,
    extract::{Query, State},
    http::{HeaderMap, HeaderValue, header},
    response::{
        IntoResponse, Response,
        sse::{Event, Sse},
    },
    routing::get,
};
use chrono::Utc;
use futures_util::{Stream, stream};
use serde::{Deserialize, Serialize};
use tokio::{
    sync::watch,
    time::{Instant, timeout},
};
use web::{
    board::{Banner, Live, Row},
    flood::FloodPanel,
};

use crate::{
    app::App,
    people::SignedIn,
    picture::{Fleet, Picture},
};

/// An event comes at least this often, so that a browser can tell a quiet fleet from a dead connection.
const SIGN_OF_LIFE: Duration = Duration::from_secs(10);
/// After this the browser must connect, and so show its session, anew.
const LONGEST: Duration = Duration::from_secs(15 * 60);

pub(super) fn routes() -> Router<App> {
    Router::new().route("/live", get(live))
}

#[derive(Debug, Deserialize)]
struct Since {
    since: Option<String>,
}

async fn live(
    _signed_in: SignedIn,
    State(app): State<App>,
    Query(asked): Query<Since>,
    headers: HeaderMap,
) -> Response {
    // What the browser got last counts for more than what the page was drawn with.
    let last = headers.get("last-event-id").and_then(|v| v.to_str().ok()).map(str::to_owned);
    let sent = last.or(asked.since).and_then(|id| Place::read(&id));
    let follower = Follower::new(&app, sent);
    let events = stream::unfold(follower, |mut follower| async {
        follower.next().await.map(|event| (Ok::<_, Infallible>(event), follower))
    });
    response(events)
}

fn response(events: impl Stream<Item = Result<Event, Infallible>> + Send + 'static) -> Response {
    let unbuffered = [
        (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
        (header::HeaderName::from_static("x-accel-buffering"), HeaderValue::from_static("no")),
    ];
    (unbuffered, Sse::new(events)).into_response()
}

/// A version of one process's picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
    epoch: i64,
    version: u64,
}

impl Place {
    fn read(id: &str) -> Option<Self> {
        let (epoch, version) = id.split_once('-')?;
        Some(Self { epoch: epoch.parse().ok()?, version: version.parse().ok()? })
    }
}

/// One browser.
struct Follower {
    picture: Picture,
    versions: watch::Receiver<u64>,
    stop: tokio_util::sync::CancellationToken,
    sent: Option<Place>,
    until: Instant,
}

impl Follower {
    fn new(app: &App, sent: Option<Place>) -> Self {
        let mut versions = app.picture.versions();
        // The first event goes out at once: what has changed since the page was drawn.
        versions.mark_changed();
        let picture = app.picture.clone();
        Self { picture, versions, stop: app.stop.clone(), sent, until: Instant::now() + LONGEST }
    }

    async fn next(&mut self) -> Option<Event> {
        if Instant::now() > self.until {
            return None;
        }
        tokio::select! {
            () = self.stop.cancelled() => return None,
            // Nothing new within the time is news, too; a picture that is gone ends the stream.
            changed = timeout(SIGN_OF_LIFE, self.versions.changed()) => if let Ok(Err(_)) = changed { return None },
        }
        let (place, update) = self.picture.read(|fleet| update(fleet, self.sent));
        self.sent = Some(place);
        let event = Event::default().id(format!("{}-{}", place.epoch, place.version)).event("rows");
        event.json_data(update.borrowed()).ok()
    }
}

/// What has changed.
struct Update {
    rows: Vec<Arc<Row>>,
    counts: Vec<(&'static str, usize)>,
    banners: Vec<Banner>,
    flood: Option<String>,
    fleet: usize,
    rebuilt: bool,
}

#[derive(Serialize)]
struct Message<'a> {
    /// The server's clock, milliseconds since 1970.
    now: i64,
    rows: Vec<&'a Live>,
    counts: &'a [(&'static str, usize)],
    banners: &'a [Banner],
    /// The key of the flood's panel; none when there is no flood.
    #[serde(skip_serializing_if = "Option::is_none")]
    flood: Option<&'a str>,
    /// Regulators in all.
    fleet: usize,
    /// Regulators have come or gone since.
    rebuilt: bool,
}

impl Update {
    fn borrowed(&self) -> Message<'_> {
        Message {
            now: Utc::now().timestamp_millis(),
            rows: self.rows.iter().map(|row| &row.live).collect(),
            counts: &self.counts,
            banners: &self.banners,
            flood: self.flood.as_deref(),
            fleet: self.fleet,
            rebuilt: self.rebuilt,
        }
    }
}

fn update(fleet: &Fleet, sent: Option<Place>) -> (Place, Update) {
    // A version of another process says nothing: everything is sent.
    let known = sent.filter(|p| p.epoch == fleet.epoch).map_or(0, |p| p.version);
    let update = Update {
        rows: fleet.rows_after(known),
        counts: fleet.counts().into_iter().map(|(state, n)| (state.key(), n)).collect(),
        banners: fleet.banners.clone(),
        flood: fleet.flood.as_ref().map(FloodPanel::key),
        fleet: fleet.units().len(),
        rebuilt: known > 0 && fleet.rebuilt > known,
    };
    (Place { epoch: fleet.epoch, version: fleet.version }, update)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::synthetic;

    #[test]
    fn a_browser_gets_what_changed_since_its_version_and_everything_after_a_restart() {
        let now = Utc::now();
        let picture = Picture::new(now);
        picture.replace(synthetic::fleet(20, now), now);
        let (first, all) = picture.read(|fleet| update(fleet, None));
        assert_eq!(all.rows.len(), 20);
        assert!(picture.read(|fleet| update(fleet, Some(first))).1.rows.is_empty());

        let later = now + chrono::TimeDelta::seconds(1);
        picture.take(synthetic::readings(20, later).take(3));
        picture.publish(later);
        let (second, some) = picture.read(|fleet| update(fleet, Some(first)));
        assert_eq!(some.rows.len(), 3);
        assert!(second.version > first.version && !some.rebuilt);

        let stranger = Place { epoch: first.epoch - 1, ..second };
        assert_eq!(picture.read(|fleet| update(fleet, Some(stranger))).1.rows.len(), 20);
        assert_eq!(Place::read("17-4"), Some(Place { epoch: 17, version: 4 }));
        assert_eq!(Place::read("x"), None);
    }
}
