use axum::http::StatusCode;
use chrono::TimeDelta;
use regulator::{alarms::Event, conditions::Condition};

use super::*;
use crate::{
    alarms::{self, Act, Place},
    notification,
    people::Role,
    testing::{Answer, Browser, TestApp, regulator},
};

struct Story {
    test: TestApp,
    alarm: i64,
    message: i64,
}

/// Ann, who may acknowledge, has got a message about an alarm.
async fn story() -> Story {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let regulator = regulator(&mut db).await;
    let ann: i32 = sqlx::query_scalar(
        "insert into person (email, name, role) values ('ann@example.org', 'Ann', 'operate') returning id",
    )
    .fetch_one(&mut *db)
    .await
    .unwrap();
    sqlx::query(
        "insert into recipient (name, email, area_kind, least_priority, person_id)
         values ('Ann', 'ann@example.org', 'fleet', 1, $1)",
    )
    .bind(ann)
    .execute(&mut *db)
    .await
    .unwrap();
    let raise = Act {
        summary: "power -48 kW, reverse for 2 min".to_owned(),
        ..Act::new(Place::Regulator(regulator), Condition::ReversePower, Event::Raise, Utc::now())
    };
    let recorded = alarms::record(&mut db, vec![raise], None).await.unwrap();
    notification::tell(&mut db, &recorded).await.unwrap();
    notification::tick(&mut db, Utc::now()).await.unwrap();
    let (alarm, message) =
        sqlx::query_as("select alarm_id, id from notification").fetch_one(&mut *db).await.unwrap();
    drop(db);
    Story { test, alarm, message }
}

impl Story {
    /// The link's path, working for so many minutes.
    async fn path(&self, minutes: i64) -> String {
        let key = answer::key(&mut *self.test.db().await).await.unwrap();
        answer::link("", &answer::token(&key, self.message, Utc::now() + TimeDelta::minutes(minutes)))
    }

    async fn press(&self, path: &str) -> Answer {
        self.test.post(&Browser::default(), path, &[]).await
    }

    async fn look(&self, path: &str) -> Answer {
        self.test.get(&Browser::default(), path).await
    }

    async fn acknowledged_by(&self) -> Option<String> {
        sqlx::query_scalar("select acknowledged_by from alarm where id = $1")
            .bind(self.alarm)
            .fetch_one(&mut *self.test.db().await)
            .await
            .unwrap()
    }

    async fn sql(&self, statement: &'static str) {
        sqlx::raw_sql(statement).execute(&mut *self.test.db().await).await.unwrap();
    }
}

#[tokio::test]
async fn looking_changes_nothing_and_the_button_acknowledges_once_as_the_person() {
    let story = story().await;
    let path = story.path(90).await;
    for _ in 0..3 {
        let page = story.look(&path).await;
        assert_eq!(page.status, StatusCode::OK);
        assert!(
            page.body.contains("Reverse power")
                && page.body.contains("<button type=\"submit\" autofocus>Acknowledge")
        );
        assert!(page.body.contains("not a substitute for verification at the equipment"));
        assert!(page.body.contains("name=\"robots\" content=\"noindex"));
        assert_eq!(page.headers["cache-control"], "no-store");
        assert_eq!(page.headers["x-robots-tag"], "noindex, nofollow");
        assert!(!page.headers.contains_key("set-cookie"), "nobody is signed in by it");
    }
    assert_eq!(story.acknowledged_by().await, None);
    let done = story.press(&path).await;
    assert_eq!(done.status, StatusCode::OK);
    assert!(done.body.contains("Acknowledged by this link at"), "{}", done.body);
    assert_eq!(story.acknowledged_by().await.as_deref(), Some("Ann"));
    let (answered, stopped): (bool, String) = sqlx::query_as(
        "select n.answered_at is not null, e.stopped_why from notification n join escalation e on e.alarm_id = n.alarm_id",
    )
    .fetch_one(&mut *story.test.db().await)
    .await
    .unwrap();
    assert_eq!((answered, stopped.as_str()), (true, "acknowledged"));
    let shown =
        story.test.get(&story.test.browser(Role::View).await, &format!("/alarms/{}", story.alarm)).await;
    for words in [
        "; acknowledged from it",
        "last resort, round 1",
        "nobody is called any more since",
        ", acknowledged.",
    ] {
        assert!(shown.body.contains(words), "{words} in {}", shown.body);
    }
    // pressed again, and raised again meanwhile: a link works once
    story.sql("update alarm set acknowledged_at = null, acknowledged_by = null; update alarm_point set process = 'unacknowledged'").await;
    let again = story.press(&path).await;
    assert!(
        again.body.contains("Acknowledged by this link at")
            && !again.body.contains("<button type=\"submit\"")
    );
    assert_eq!(story.acknowledged_by().await, None);
}

#[tokio::test]
async fn who_is_signed_in_as_somebody_else_acknowledges_as_whoever_got_the_message() {
    let story = story().await;
    let browser = story.test.browser(Role::View).await;
    let path = story.path(90).await;
    assert_eq!(story.test.post_bare(&browser, &path, &[]).await.status, StatusCode::OK);
    assert_eq!(story.acknowledged_by().await.as_deref(), Some("Ann"));
}

#[tokio::test]
async fn a_link_that_has_run_out_or_was_forged_says_so() {
    let story = story().await;
    let old = story.path(-1).await;
    for answer in [story.look(&old).await, story.press(&old).await] {
        assert_eq!(answer.status, StatusCode::GONE);
        assert!(answer.body.contains("This link has run out, and nothing was changed."), "{}", answer.body);
    }
    let good = story.path(90).await;
    let forged = format!("{}{}", &good[..good.len() - 1], if good.ends_with('A') { 'B' } else { 'A' });
    for path in [forged.as_str(), "/answer/x", "/answer/%00"] {
        for answer in [story.look(path).await, story.press(path).await] {
            assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
            assert!(!answer.body.contains("Reverse power"), "nothing is told of the alarm");
        }
    }
    assert_eq!(story.acknowledged_by().await, None);
}

#[tokio::test]
async fn what_somebody_else_has_acknowledged_says_who() {
    let story = story().await;
    let hand = Hand { person: "Ola", at: Utc::now(), why: None };
    act(&mut *story.test.db().await, story.alarm, Deed::Acknowledge, hand).await.unwrap().unwrap().unwrap();
    let answer = story.press(&story.path(90).await).await;
    assert!(answer.body.contains("Ola has acknowledged it already"), "{}", answer.body);
    assert_eq!(story.acknowledged_by().await.as_deref(), Some("Ola"));
}

#[tokio::test]
async fn who_may_not_acknowledge_at_the_desk_may_not_from_a_message() {
    for change in [
        "update person set role = 'view' where name = 'Ann'",
        "update person set disabled_at = now() where name = 'Ann'",
        "update recipient set disabled_at = now()",
    ] {
        let story = story().await;
        story.sql(change).await;
        let answer = story.press(&story.path(90).await).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{change}");
        assert_eq!(story.acknowledged_by().await, None, "{change}");
    }
}

#[tokio::test]
async fn another_sites_form_is_refused() {
    let story = story().await;
    let path = story.path(90).await;
    let request = Browser::default()
        .request("POST", &path)
        .header("sec-fetch-site", "cross-site")
        .body(axum::body::Body::empty())
        .unwrap();
    assert_eq!(story.test.send(request).await.status, StatusCode::FORBIDDEN);
    assert_eq!(story.acknowledged_by().await, None);
}

#[tokio::test]
async fn guessing_is_slowed_down() {
    let story = story().await;
    let path = story.path(90).await;
    for _ in 0..10 {
        assert_eq!(story.look(&path).await.status, StatusCode::OK);
    }
    let refused = story.look(&path).await;
    assert_eq!(refused.status, StatusCode::TOO_MANY_REQUESTS);
    assert!(refused.headers.contains_key("retry-after"));
}
