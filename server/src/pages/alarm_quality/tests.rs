//! The quality of alarms, from alarms that were recorded as detection records them.

use axum::http::StatusCode;
use regulator::{alarms::Event, conditions::Condition};
use sqlx::PgConnection;

use crate::{
    alarms::{
        Act, Place,
        desk::{Deed, Hand, act},
        record,
    },
    feed::testing::at,
    inventory::testing::fleet,
    people::Role,
    testing::TestApp,
};

async fn take(db: &mut PgConnection, unit: i32, condition: Condition, event: Event, s: i64) {
    let act = Act::new(Place::Regulator(unit), condition, event, at(s));
    record(db, vec![act], None).await.unwrap();
}

/// What is written down now is counted as told when it happened.
async fn settle(db: &mut PgConnection) {
    sqlx::query("update alarm_transition set recorded_at = at").execute(db).await.unwrap();
}

#[tokio::test]
async fn what_was_told_is_counted_and_held_against_the_figures() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let units = fleet(&mut db, 2).await;
    // Twelve times within twelve minutes, each for half a minute: a flood, chattering.
    for i in 0..12 {
        take(&mut db, units[0], Condition::ReversePower, Event::Raise, 3600 + i * 50).await;
        take(&mut db, units[0], Condition::ReversePower, Event::Return, 3600 + i * 50 + 30).await;
    }
    // One that stands for two days, and one shelved for so long by shelving it anew, and announced again when that ended.
    take(&mut db, units[1], Condition::TapLimit, Event::Raise, 7200).await;
    let id: i64 = sqlx::query_scalar("select max(id) from alarm").fetch_one(&mut *db).await.unwrap();
    let hand = |s: i64| Hand { person: "Ola", at: at(s), why: Some("known") };
    for (deed, s) in
        [(Deed::Shelve(at(9000)), 7300), (Deed::Shelve(at(100_000)), 8900), (Deed::Unshelve, 100_000)]
    {
        act(&mut db, id, deed, hand(s)).await.unwrap().unwrap().unwrap();
    }
    take(&mut db, units[1], Condition::TapLimit, Event::Return, 180_000).await;
    // And one that stands still.
    take(&mut db, units[1], Condition::NotAutomatic, Event::Raise, 100).await;
    settle(&mut db).await;
    sqlx::query("update alarm set announced_at = raised_at where announced_at is not null")
        .execute(&mut *db)
        .await
        .unwrap();
    let browser = test.browser(Role::View).await;
    // 2026-01-01 00:00 UTC is six in the evening of the day before in Chicago.
    let page = test.get(&browser, "/alarm-quality?from=2025-12-31&to=2026-01-03").await;
    assert_eq!(page.status, StatusCode::OK);
    let body = page.body;
    for words in [
        "15 times an alarm was told to people, 3 different alarms",
        "Floods: 1",
        "Chattering: 1",
        "12 times, 80.0 %",
        "Stale: 2",
        "Shelved too long: 1",
        "from memory",
        "looked up in secondary sources",
        "cannot tell: fewer than 100 alarms",
    ] {
        assert!(body.contains(words), "{words} in {body}");
    }
    let elsewhere: i32 = sqlx::query_scalar("insert into substation (name) values ('Birch') returning id")
        .fetch_one(&mut *db)
        .await
        .unwrap();
    let body = test
        .get(&browser, &format!("/alarm-quality?from=2025-12-31&to=2026-01-03&place=substation:{elsewhere}"))
        .await
        .body;
    assert!(body.contains("0 times an alarm was told") && body.contains("Floods: 0"), "{body}");
}

#[tokio::test]
async fn what_the_address_asks_for_in_vain_is_said() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    for (query, status) in [
        ("from=yesterday", StatusCode::BAD_REQUEST),
        ("from=2026-02-01&to=2026-01-01", StatusCode::BAD_REQUEST),
        ("from=2000-01-01&to=2026-01-01", StatusCode::BAD_REQUEST),
        ("place=feeder:1", StatusCode::NOT_FOUND),
        ("place=moon", StatusCode::NOT_FOUND),
        ("", StatusCode::OK),
    ] {
        assert_eq!(test.get(&browser, &format!("/alarm-quality?{query}")).await.status, status, "{query}");
    }
}
