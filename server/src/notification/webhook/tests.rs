use std::sync::{Arc, Mutex};

use axum::{
    Router,
    body::Bytes,
    extract::State,
    http::{HeaderMap, StatusCode},
    response::{IntoResponse, Redirect},
    routing::{any, post},
};
use base64::{Engine, prelude::BASE64_STANDARD};
use chrono::TimeZone;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use tokio::net::TcpListener;

use super::*;
use crate::notification::testing::sample::{notice, returned};

type Seen = Arc<Mutex<Vec<(HeaderMap, Bytes)>>>;

/// A receiver with one misbehaviour a path.
async fn receiver() -> (String, Seen) {
    let seen = Seen::default();
    let note = async |State(seen): State<Seen>, headers: HeaderMap, body: Bytes| {
        seen.lock().unwrap().push((headers, body));
        StatusCode::NO_CONTENT
    };
    let routes = Router::new()
        .route("/", post(note))
        .route("/redirect", any(|| async { Redirect::temporary("/") }))
        .route("/gone", any(|| async { StatusCode::GONE }))
        .route("/broken", any(|| async { (StatusCode::INTERNAL_SERVER_ERROR, "no\r\n room") }))
        .route(
            "/later",
            any(|| async { (StatusCode::TOO_MANY_REQUESTS, [("retry-after", "77")]).into_response() }),
        )
        .route("/slow", any(std::future::pending::<StatusCode>))
        .route(
            "/endless",
            any(|| async {
                let drops = futures_util::stream::repeat(Ok::<_, std::convert::Infallible>(
                    Bytes::from_static(&[b'x'; 4096]),
                ));
                (StatusCode::BAD_GATEWAY, axum::body::Body::from_stream(drops))
            }),
        )
        .with_state(Arc::clone(&seen));
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    tokio::spawn(async { axum::serve(listener, routes).await });
    (url, seen)
}

fn sender() -> Sender {
    let allow = vec!["127.0.0.0/8".parse().unwrap()];
    Sender::new(&Webhook { allow, timeout: Duration::from_millis(1500) }).unwrap()
}

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 3, 1, 19, 4, 0).unwrap()
}

const SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";

async fn post_to(url: &str) -> Result<String, Failure> {
    let message = serde_json::json!({"test": 1});
    sender().post(Target { url, secret: Some(SECRET), old_secret: None }, "msg_1", &message, now()).await
}

fn passing(outcome: Result<String, Failure>) -> (String, Option<Duration>) {
    match outcome {
        Err(Failure::Passing { detail, retry_after }) => (detail, retry_after),
        other => panic!("not a passing failure: {other:?}"),
    }
}

/// Verified the way a receiver would, from the headers and the body as they came.
#[tokio::test]
async fn a_receiver_can_verify_what_it_gets() {
    let (url, seen) = receiver().await;
    post_to(&url).await.unwrap();
    let seen = seen.lock().unwrap();
    let [(headers, body)] = seen.as_slice() else { panic!("{seen:?}") };
    let header = |name: &str| headers[name].to_str().unwrap().to_owned();
    assert_eq!(header("webhook-id"), "msg_1");
    assert_eq!(header("webhook-timestamp"), now().timestamp().to_string());
    assert_eq!(header("content-type"), "application/json");
    let key = BASE64_STANDARD.decode(SECRET.strip_prefix("whsec_").unwrap()).unwrap();
    let signed = [b"msg_1.", header("webhook-timestamp").as_bytes(), b".", body.as_ref()].concat();
    let mut mac = Hmac::<Sha256>::new_from_slice(&key).unwrap();
    mac.update(&signed);
    let signature = BASE64_STANDARD.decode(header("webhook-signature").strip_prefix("v1,").unwrap()).unwrap();
    mac.verify_slice(&signature).unwrap();
}

/// While a secret is being changed, receivers that know either can verify: the scheme allows for several signatures, separated by spaces.
#[tokio::test]
async fn both_secrets_sign_while_one_replaces_the_other() {
    let (url, seen) = receiver().await;
    let old = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD";
    let message = serde_json::json!({"test": 1});
    let target = Target { url: &url, secret: Some(SECRET), old_secret: Some(old) };
    sender().post(target, "msg_1", &message, now()).await.unwrap();
    let seen = seen.lock().unwrap();
    let header = seen[0].0["webhook-signature"].to_str().unwrap().to_owned();
    let expected = [SECRET, old]
        .map(|s| signature::sign(&signature::key(s).unwrap(), "msg_1", now().timestamp(), &seen[0].1));
    assert_eq!(header, expected.join(" "));
}

#[tokio::test]
async fn a_redirect_is_not_followed() {
    let (url, seen) = receiver().await;
    let (detail, _) = passing(post_to(&format!("{url}/redirect")).await);
    assert!(detail.contains("307") && detail.contains("redirect"), "{detail}");
    assert!(seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn gone_is_for_good() {
    let (url, _) = receiver().await;
    assert!(matches!(post_to(&format!("{url}/gone")).await, Err(Failure::Permanent(_))));
}

#[tokio::test]
async fn what_a_broken_receiver_says_is_kept_on_one_line() {
    let (url, _) = receiver().await;
    let (detail, retry_after) = passing(post_to(&format!("{url}/broken")).await);
    assert_eq!(detail, "the receiver answered 500 Internal Server Error: no room");
    assert_eq!(retry_after, None);
}

#[tokio::test]
async fn a_receivers_wish_to_be_asked_later_is_heard() {
    let (url, _) = receiver().await;
    let (_, wish) = passing(post_to(&format!("{url}/later")).await);
    assert_eq!(wish, Some(Duration::from_secs(77)));
}

/// The date is the example of RFC 9110 section 5.6.7.
#[test]
fn a_wish_may_be_seconds_or_a_date() {
    let before = Utc.with_ymd_and_hms(1994, 11, 6, 8, 49, 0).unwrap();
    assert_eq!(retry_after("Sun, 06 Nov 1994 08:49:37 GMT", before), Some(Duration::from_secs(37)));
    assert_eq!(retry_after(" 120", before), Some(Duration::from_secs(120)));
    assert_eq!(retry_after("Sun, 06 Nov 1994 08:48:37 GMT", before), None, "already past");
    assert_eq!(retry_after("soon", before), None);
}

#[tokio::test]
async fn a_receiver_that_never_answers_or_never_ends_is_left() {
    let (url, _) = receiver().await;
    passing(post_to(&format!("{url}/slow")).await);
    let (detail, _) = passing(post_to(&format!("{url}/endless")).await);
    assert!(detail.contains("502") && detail.len() < 400, "{detail}");
}

#[tokio::test]
async fn addresses_that_are_not_allowed_are_refused_for_good_and_never_reached() {
    let (url, seen) = receiver().await;
    let port = url.rsplit(':').next().unwrap();
    let strict = Sender::new(&Webhook::default()).unwrap();
    for url in [
        url.clone(),
        format!("https://127.0.0.1:{port}/"),
        format!("https://localhost:{port}/"),
        format!("http://localhost:{port}/"),
        // other spellings of 127.0.0.1
        format!("https://0x7f.1:{port}/"),
        format!("https://2130706433:{port}/"),
        format!("https://[::ffff:127.0.0.1]:{port}/"),
        "https://169.254.169.254/".into(),
        "ftp://example.org/".into(),
        "no address".into(),
    ] {
        let outcome = strict
            .post(
                Target { url: &url, secret: Some(SECRET), old_secret: None },
                "msg_1",
                &serde_json::Value::Null,
                now(),
            )
            .await;
        assert!(matches!(outcome, Err(Failure::Permanent(_))), "{url}: {outcome:?}");
    }
    assert!(seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn a_secret_that_cannot_be_used_is_refused_rather_than_left_out() {
    let (url, seen) = receiver().await;
    let target = Target { url: &url, secret: Some("hunter2"), old_secret: None };
    let outcome = sender().post(target, "msg_1", &serde_json::Value::Null, now()).await;
    assert!(matches!(outcome, Err(Failure::Permanent(_))));
    assert!(seen.lock().unwrap().is_empty());
}

/// Receivers are written against this text: a change here breaks them.
#[test]
fn the_message_of_an_alarm_looks_like_this() {
    let mut notice = notice();
    notice.call = Some(crate::notification::notice::Call { round: 1, level: Some(2) });
    notice.answer = Some("TOKEN".into());
    let raised =
        serde_json::to_value(payload::Payload::of_alarm(&notice, "https://tapkeeper.utility.example"))
            .unwrap();
    let expected: serde_json::Value = serde_json::from_str(include_str!("snapshots/raised.json")).unwrap();
    assert_eq!(raised, expected);
    let returned =
        serde_json::to_value(payload::Payload::of_alarm(&returned(), "https://tapkeeper.utility.example"))
            .unwrap();
    assert_eq!(returned["type"], "alarm.returned");
    assert_eq!(returned["timestamp"], "2026-03-01T19:34:00Z");
    assert_eq!(returned["data"]["returned_at"], "2026-03-01T19:34:00Z");
    assert_eq!(returned["data"]["alarm_id"], raised["data"]["alarm_id"]);
    assert_ne!(returned["id"], raised["id"]);
}
