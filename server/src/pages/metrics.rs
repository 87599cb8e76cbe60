//! `/metrics` of the server role, in the OpenMetrics text format 1.0.
//!
//! With a token in the settings, whoever shows it as `Authorization: Bearer TOKEN` may read, from anywhere. Without one, only
//! programs on the same machine may, and only while the public address is on this machine as well: behind a proxy every
//! request comes from the same machine.

use std::{fmt::Write as _, net::SocketAddr, time::Duration};

use axum::{
    Router,
    extract::{ConnectInfo, Request, State},
    http::{Uri, header},
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::Utc;
use regulator::conditions::Priority;
use secrecy::ExposeSecret;
use sqlx::PgConnection;
use subtle::ConstantTimeEq;

use super::polling::followers;
use crate::{app::App, error::WebError, metrics::BOUNDS_S, notification, people::cookie::is_loopback};

const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// A scrape shall not wait for a database that is away.
const PATIENCE: Duration = Duration::from_secs(3);

pub(super) fn routes() -> Router<App> {
    Router::new().route("/metrics", get(metrics))
}

async fn metrics(State(app): State<App>, request: Request) -> Result<Response, WebError> {
    if !may_read(&app, &request) {
        return Err(WebError::NotFound("page at this address for you".to_owned()));
    }
    let mut text = String::new();
    own(&app, &mut text);
    detection(&app, &mut text);
    let up = tokio::time::timeout(PATIENCE, async { stored(&mut *app.pool.acquire().await?).await }).await;
    let up = up.ok().and_then(Result::ok);
    gauge(
        &mut text,
        "tapkeeper_database_up",
        "Whether the database answers.",
        &[(String::new(), f64::from(u8::from(up.is_some())))],
    );
    text.push_str(&up.unwrap_or_default());
    text.push_str("# EOF\n");
    Ok(([(header::CONTENT_TYPE, KIND)], text).into_response())
}

fn may_read(app: &App, request: &Request) -> bool {
    if let Some(token) = &app.config.metrics_token {
        let shown = request.headers().get(header::AUTHORIZATION).and_then(|v| v.to_str().ok());
        let shown = shown.and_then(|v| v.strip_prefix("Bearer ")).unwrap_or_default();
        return shown.as_bytes().ct_eq(token.expose_secret().as_bytes()).into();
    }
    let public: Option<Uri> = app.config.public_url.parse().ok();
    let at_home = public.as_ref().and_then(Uri::host).is_some_and(is_loopback);
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>();
    at_home && peer.is_some_and(|peer| peer.0.ip().to_canonical().is_loopback())
}

/// What is known without the database.
#[allow(clippy::cast_precision_loss, reason = "counts as OpenMetrics has them: floating point")]
fn own(app: &App, text: &mut String) {
    let name = "tapkeeper_http_requests";
    head(text, name, "counter", "Requests answered, by class of status.");
    for (class, count) in app.metrics.classes() {
        line(text, &format!("{name}_total{{class=\"{class}xx\"}}"), count as f64);
    }
    let name = "tapkeeper_http_request_duration_seconds";
    head(text, name, "histogram", "Time to the head of the answer.");
    let (cumulative, all) = app.metrics.durations();
    for (bound, count) in BOUNDS_S.iter().zip(cumulative) {
        line(text, &format!("{name}_bucket{{le=\"{bound:?}\"}}"), count as f64);
    }
    line(text, &format!("{name}_bucket{{le=\"+Inf\"}}"), all as f64);
    line(text, &format!("{name}_count"), all as f64);
    line(text, &format!("{name}_sum"), app.metrics.duration_sum().as_secs_f64());
    let live = [(String::new(), app.picture.followers() as f64)];
    gauge(text, "tapkeeper_live_followers", "Browsers that follow the board live.", &live);
    let (size, idle) = (f64::from(app.pool.size()), app.pool.num_idle() as f64);
    let pool = [("{state=\"idle\"}".to_owned(), idle), ("{state=\"used\"}".to_owned(), size - idle)];
    gauge(text, "tapkeeper_database_connections", "Connections to the database.", &pool);
}

/// What detection in this process has done.
#[allow(clippy::cast_precision_loss, reason = "counts as OpenMetrics has them: floating point")]
fn detection(app: &App, text: &mut String) {
    let status = app.detection.snapshot();
    let leading = [(String::new(), f64::from(u8::from(status.leading)))];
    gauge(text, "tapkeeper_detection_leading", "Whether this server runs detection.", &leading);
    for (name, help, count) in [
        ("readings_judged", "Readings judged.", status.readings_judged),
        ("alarms_raised", "Alarms raised.", status.alarms_raised),
        ("alarms_returned", "Alarms returned to normal.", status.alarms_returned),
        ("passes_failed", "Passes that failed and were undone.", status.passes_failed),
    ] {
        let name = format!("tapkeeper_detection_{name}");
        head(text, &name, "counter", help);
        line(text, &format!("{name}_total"), count as f64);
    }
}

/// What stands in the database.
#[allow(clippy::cast_precision_loss, reason = "counts as OpenMetrics has them: floating point")]
async fn stored(db: &mut PgConnection) -> sqlx::Result<String> {
    let (mut text, now) = (String::new(), Utc::now());
    let seconds = |at: regulator::Timestamp| (now - at).as_seconds_f64().max(0.0);
    let label = |name: &str, value: &str| format!("{{{name}=\"{}\"}}", escaped(value));
    let followers = followers(db).await?;
    let lags: Vec<_> = followers.iter().map(|f| (label("follower", &f.name), f.lag as f64)).collect();
    gauge(
        &mut text,
        "tapkeeper_feed_lag_batches",
        "Batches of readings not dealt with; counted up to 100000.",
        &lags,
    );
    let ages: Vec<_> =
        followers.iter().map(|f| (label("follower", &f.name), f.oldest.map_or(0.0, seconds))).collect();
    gauge(&mut text, "tapkeeper_feed_lag_seconds", "Age of the oldest batch not dealt with.", &ages);
    let open = sqlx::query!(
        r#"select priority, count(*) as "n!" from alarm where returned_at is null group by priority"#
    )
    .fetch_all(&mut *db)
    .await?;
    let count = |p: &Priority| open.iter().find(|row| row.priority == p.level()).map_or(0, |row| row.n);
    let open: Vec<_> =
        Priority::ALL.iter().map(|p| (label("priority", p.title()), count(p) as f64)).collect();
    gauge(&mut text, "tapkeeper_alarms_open", "Alarms whose condition is true.", &open);
    let outbox = notification::status(db).await?;
    let states = [("waiting", outbox.waiting), ("sending", outbox.sending), ("given_up", outbox.given_up)];
    let states: Vec<_> = states.iter().map(|(state, n)| (label("state", state), *n as f64)).collect();
    gauge(&mut text, "tapkeeper_notifications", "Messages not delivered.", &states);
    let oldest = [(String::new(), outbox.oldest_waiting.map_or(0.0, seconds))];
    gauge(
        &mut text,
        "tapkeeper_notification_oldest_seconds",
        "Age of the oldest message that waits.",
        &oldest,
    );
    let pollers =
        sqlx::query!("select poller, heartbeat_at from poller_health order by poller").fetch_all(db).await?;
    let beats: Vec<_> =
        pollers.iter().map(|p| (label("poller", &p.poller), seconds(p.heartbeat_at))).collect();
    gauge(
        &mut text,
        "tapkeeper_poller_heartbeat_age_seconds",
        "Time since each poller's last sign of life.",
        &beats,
    );
    Ok(text)
}

fn head(text: &mut String, name: &str, kind: &str, help: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(text, "# TYPE {name} {kind}\n# HELP {name} {help}");
}

fn line(text: &mut String, sample: &str, value: f64) {
    let _ = writeln!(text, "{sample} {value}");
}

fn gauge(text: &mut String, name: &str, help: &str, samples: &[(String, f64)]) {
    head(text, name, "gauge", help);
    for (labels, value) in samples {
        line(text, &format!("{name}{labels}"), *value);
    }
}

fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use axum::{body::Body, http::StatusCode};

    use super::*;
    use crate::{
        Config,
        testing::{Answer, TestApp, regulator},
    };

    async fn scrape(test: &TestApp, peer: [u8; 4], token: &str) -> Answer {
        let mut request = Request::get("/metrics").body(Body::empty()).unwrap();
        request.extensions_mut().insert(ConnectInfo(SocketAddr::from((peer, 40_000))));
        request.headers_mut().insert(header::AUTHORIZATION, format!("Bearer {token}").parse().unwrap());
        test.send(request).await
    }

    fn with(test: &mut TestApp, change: impl FnOnce(&mut Config)) {
        let mut config = (*test.app.config).clone();
        change(&mut config);
        test.app.config = Arc::new(config);
    }

    #[tokio::test]
    async fn without_a_token_only_this_machine_may_read_and_only_without_a_proxy() {
        let mut test = TestApp::new().await;
        assert_eq!(scrape(&test, [127, 0, 0, 1], "").await.status, StatusCode::OK);
        assert_eq!(scrape(&test, [192, 0, 2, 1], "").await.status, StatusCode::NOT_FOUND);
        with(&mut test, |config| config.public_url = "https://taps.example.org".to_owned());
        assert_eq!(scrape(&test, [127, 0, 0, 1], "").await.status, StatusCode::NOT_FOUND);
    }

    #[tokio::test]
    async fn with_a_token_whoever_shows_it_may_read() {
        let mut test = TestApp::new().await;
        with(&mut test, |config| config.metrics_token = Some("0123456789".to_owned().into()));
        assert_eq!(scrape(&test, [192, 0, 2, 1], "0123456789").await.status, StatusCode::OK);
        assert_eq!(scrape(&test, [127, 0, 0, 1], "012345678").await.status, StatusCode::NOT_FOUND);
        assert_eq!(scrape(&test, [127, 0, 0, 1], "").await.status, StatusCode::NOT_FOUND);
    }

    #[tokio::test]
    async fn the_text_is_openmetrics_and_holds_the_numbers() {
        let test = TestApp::new().await;
        let mut db = test.db().await;
        let unit = regulator(&mut db).await;
        sqlx::query(
            "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
             values ('reverse_power', $1, 3, now(), 's', '[]')",
        )
        .bind(unit)
        .execute(&mut *db)
        .await
        .unwrap();
        sqlx::query(
            "insert into poller_health values ('no\"rth', now(), now(), 1, 1, 1, 1, 0, 0, null, '{}')",
        )
        .execute(&mut *db)
        .await
        .unwrap();
        scrape(&test, [192, 0, 2, 1], "").await;
        let answer = scrape(&test, [127, 0, 0, 1], "").await;
        assert_eq!(answer.headers[header::CONTENT_TYPE], KIND);
        for expected in [
            "tapkeeper_http_requests_total{class=\"4xx\"} 1\n",
            "tapkeeper_http_request_duration_seconds_bucket{le=\"+Inf\"} 1\n",
            "tapkeeper_http_request_duration_seconds_bucket{le=\"1.0\"} ",
            "tapkeeper_alarms_open{priority=\"high\"} 1\n",
            "tapkeeper_alarms_open{priority=\"critical\"} 0\n",
            "tapkeeper_notifications{state=\"waiting\"} 0\n",
            "tapkeeper_poller_heartbeat_age_seconds{poller=\"no\\\"rth\"} ",
            "tapkeeper_database_up 1\n",
        ] {
            assert!(answer.body.contains(expected), "{expected} in {}", answer.body);
        }
        assert!(answer.body.ends_with("# EOF\n") && !answer.body.contains("\n\n"));
        // Closing waits for every connection to be given back.
        drop(db);
        test.app.pool.close().await;
        let away = scrape(&test, [127, 0, 0, 1], "").await;
        assert!(away.body.contains("tapkeeper_database_up 0\n") && away.body.ends_with("# EOF\n"));
    }
}
