//! Messages given up, seen from the browser.

use axum::http::StatusCode;
use chrono::Utc;

use crate::{
    people::Role,
    testing::{TestApp, regulator},
};

/// A message that was given up after nine attempts; its row.
async fn given_up(test: &TestApp) -> i64 {
    let mut db = test.db().await;
    let regulator = regulator(&mut db).await;
    sqlx::query_scalar(
        "with a as (insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
                  values ('tap_limit', $1, 4, now(), 'At tap 16 for 9 min', '[]') returning id),
              t as (insert into alarm_transition (alarm_id, kind, at) select id, 'raised', now() from a returning id, alarm_id),
              r as (insert into recipient (name, email, area_kind) values ('Night desk', 'desk@example.org', 'fleet') returning id)
         insert into notification (transition_id, alarm_id, recipient_id, way, created_at, state, attempts, last_error)
         select t.id, t.alarm_id, r.id, 'email', now() - interval '25 hours', 'given_up', 9, 'the mail server said 550 no such user' from t, r
         returning id",
    )
    .bind(regulator)
    .fetch_one(&mut *db)
    .await
    .unwrap()
}

async fn state(test: &TestApp) -> (String, Option<String>, bool) {
    sqlx::query_as("select state, dismissed_why, next_attempt_at <= clock_timestamp() from notification")
        .fetch_one(&mut *test.db().await)
        .await
        .unwrap()
}

#[tokio::test]
async fn a_message_given_up_is_shown_with_its_reason_and_counted_in_the_navigation() {
    let test = TestApp::new().await;
    let id = given_up(&test).await;
    let browser = test.browser(Role::View).await;
    test.app.on_call.refresh(&mut *test.db().await, Utc::now()).await.unwrap();
    let page = test.get(&browser, "/undelivered").await.body;
    for words in
        ["Night desk", "550 no such user", "9 times", "At tap 16 for 9 min", "<b class=\"waiting\">1</b>"]
    {
        assert!(page.contains(words), "{words} in {page}");
    }
    assert!(!page.contains(&format!("/undelivered/{id}/retry")), "to be dealt with by the desk");
}

#[tokio::test]
async fn it_is_tried_again_once() {
    let test = TestApp::new().await;
    let id = given_up(&test).await;
    let browser = test.browser(Role::Operate).await;
    let path = format!("/undelivered/{id}/retry");
    assert_eq!(test.post(&browser, &path, &[]).await.location(), "/undelivered?done=retried");
    assert_eq!(state(&test).await, ("waiting".into(), None, true));
    assert_eq!(
        test.post(&browser, &path, &[]).await.status,
        StatusCode::CONFLICT,
        "it is no longer given up"
    );
    let page = test.get(&browser, "/undelivered?done=retried").await.body;
    assert!(page.contains("None: every message") && !page.contains("class=\"waiting\""), "{page}");
}

#[tokio::test]
async fn it_is_put_aside_with_a_reason() {
    let test = TestApp::new().await;
    let id = given_up(&test).await;
    let browser = test.browser(Role::Operate).await;
    let path = format!("/undelivered/{id}/dismiss");
    let bare = test.post(&browser, &path, &[("why", " ")]).await;
    assert_eq!(bare.status, StatusCode::BAD_REQUEST);
    assert!(bare.body.contains("Say why it needs no sending"), "{}", bare.body);
    let done = test.post(&browser, &path, &[("why", "told by telephone")]).await;
    assert_eq!(done.location(), "/undelivered?done=dismissed");
    assert_eq!(state(&test).await.1.as_deref(), Some("told by telephone"));
    assert_eq!(test.post(&browser, &path, &[("why", "again")]).await.status, StatusCode::CONFLICT);
    assert!(test.get(&browser, "/undelivered").await.body.contains("None: every message"));
}
