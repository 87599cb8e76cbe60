//! Board and site page as a browser gets them, with the database there and away.

use std::time::Duration;

use axum::http::StatusCode;
use chrono::Utc;
use regulator::{Age, Quantity, Reading, TimeSource};
use tokio::time::timeout;

use crate::{
    feed::testing::{batch, write},
    inventory::testing::fleet,
    people::Role,
    picture::Fleet,
    testing::{Browser, TestApp},
};

/// Waits until the picture is as wanted; fifteen seconds at most.
async fn until(test: &TestApp, wanted: impl Fn(&Fleet) -> bool) {
    let mut versions = test.app.picture.versions();
    let seen = async {
        while !test.app.picture.read(&wanted) {
            versions.changed().await.unwrap();
        }
    };
    timeout(Duration::from_secs(120), seen).await.expect("the picture becomes as wanted");
}

/// An app whose picture follows a fleet of two, the first of which has a reading; and its site.
async fn app() -> (TestApp, i32) {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = fleet(&mut db, 2).await;
    let now = Utc::now();
    let reading = Reading::new(now).with(Quantity::LoadVoltage, 119.0).with(Quantity::RealPower, -40.0);
    let batch = crate::feed::testing::NewBatch { written_at: now, watermark: now, ..batch("p", 0) };
    write(&mut db, &batch, &[(ids[0], reading)]).await;
    drop(db);
    tokio::spawn(test.app.picture.clone().follow(test.app.pool.clone(), test.app.stop.clone()));
    until(&test, |f| f.units().len() == 2 && f.banners.is_empty() && f.version > 0).await;
    until(&test, |f| f.units()[0].row.live.volts.text == "119.0\u{a0}V").await;
    let site = test.app.picture.read(|f| f.units()[0].regulator.site.id);
    (test, site)
}

#[tokio::test]
async fn pages_show_what_is_stored_and_what_is_missing_to_people_who_signed_in() {
    let (test, site) = app().await;
    let browser = test.browser(Role::View).await;
    let board = test.get(&browser, "/").await;
    assert_eq!(board.status, StatusCode::OK);
    for wanted in ["119.0\u{a0}V", "← reverse", "No data", "Pole 2 A"] {
        assert!(board.body.contains(wanted), "{wanted}");
    }
    let page = test.get(&browser, &format!("/site/{site}")).await;
    assert!(page.body.contains("not a substitute for verification at the equipment"));
    assert!(page.body.contains("−40.0\u{a0}kW ← reverse"));
    assert_eq!(test.get(&browser, "/site/1").await.status, StatusCode::NOT_FOUND);
    assert_eq!(test.get(&browser, &format!("/site/{site}?span=5w")).await.status, StatusCode::BAD_REQUEST);
    for path in ["/", "/live", &format!("/site/{site}/trend.json"), &format!("/site/{site}/trend.csv")] {
        let answer = test.get(&Browser::default(), path).await;
        assert!(!answer.status.is_success(), "{path} is for people who signed in");
    }
}

#[tokio::test]
async fn board_and_site_stay_readable_while_the_database_is_away_and_say_so() {
    let (test, site) = app().await;
    let browser = test.browser(Role::View).await;
    assert_eq!(test.get(&browser, "/").await.status, StatusCode::OK);
    test.app.pool.close().await;
    until(&test, |f| !f.banners.is_empty()).await;
    let site = format!("/site/{site}");
    for path in ["/", site.as_str()] {
        let page = test.get(&browser, path).await;
        assert_eq!(page.status, StatusCode::OK, "{path}");
        assert!(page.body.contains("Database not reachable since"), "{path}");
        assert!(page.body.contains("119.0"), "{path} shows the last known state");
    }
}

#[tokio::test]
async fn a_site_shows_how_old_carried_values_are_whose_time_they_have_and_what_the_control_says_of_itself() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = fleet(&mut db, 1).await;
    sqlx::query(
        "insert into device (endpoint_id, unit, manufacturer, model, told_at)
            select endpoint_id, unit, 'Invented Controls', 'Model 7', now() from regulator",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    let now = Utc::now();
    let mut reading =
        Reading::new(now).with(Quantity::LoadVoltage, 119.0).with(Quantity::SourceVoltage, 118.0);
    reading.time_source = TimeSource::Device;
    reading.set_age(Quantity::SourceVoltage, Age::from_seconds(725));
    reading.set_age(Quantity::LoadVoltage, Age::from_seconds(59));
    let batch = crate::feed::testing::NewBatch { written_at: now, watermark: now, ..batch("p", 0) };
    write(&mut db, &batch, &[(ids[0], reading)]).await;
    tokio::spawn(test.app.picture.clone().follow(test.app.pool.clone(), test.app.stop.clone()));
    until(&test, |f| f.units().first().is_some_and(|u| u.latest.is_some())).await;
    let site = test.app.picture.read(|f| f.units()[0].regulator.site.id);
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, &format!("/site/{site}")).await.body;
    for wanted in
        [", device time", ">119.0\u{a0}V<", "118.0\u{a0}V · 12\u{a0}min old", "Invented Controls", "Model 7"]
    {
        assert!(page.contains(wanted), "{wanted}");
    }
    assert!(!page.contains("Control serial number"), "nobody told one");

    let alarm: i64 = sqlx::query_scalar(
        "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
            values ('reverse_power', $1, 3, $2, 'x', '[]') returning id",
    )
    .bind(ids[0])
    .bind(now)
    .fetch_one(&mut *db)
    .await
    .unwrap();
    let page = test.get(&browser, &format!("/alarms/{alarm}")).await.body;
    assert!(page.contains("device time") && page.contains("118.0\u{a0}V · 12\u{a0}min old"));
}
