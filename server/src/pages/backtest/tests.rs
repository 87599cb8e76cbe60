//! The backtest page as a browser gets it.

use std::sync::Arc;

use axum::http::StatusCode;
use chrono::{TimeDelta, Utc};
use regulator::{Quantity, Reading};

use crate::{
    backtest::Progress,
    feed::testing::{NewBatch, batch, write},
    inventory,
    people::Role,
    testing::TestApp,
};

/// An hour at 115 V, three hours ago.
async fn app() -> TestApp {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = inventory::testing::fleet(&mut db, 1).await;
    let now = Utc::now();
    let reading = |m: i64| {
        let volts = if (120..180).contains(&m) { 115.0 } else { 120.0 };
        Reading::new(now - TimeDelta::minutes(m)).with(Quantity::LoadVoltage, volts)
    };
    let readings: Vec<_> = (0..300).rev().map(|m| (ids[0], reading(m))).collect();
    write(&mut db, &NewBatch { written_at: now, watermark: now, ..batch("p", 0) }, &readings).await;
    drop(db);
    test
}

#[tokio::test]
async fn the_form_has_the_values_in_force_and_running_it_tells_what_would_be_raised() {
    let test = app().await;
    let browser = test.browser(Role::View).await;
    let form = test.get(&browser, "/backtest?condition=voltage_range_a").await;
    assert_eq!(form.status, StatusCode::OK);
    for wanted in ["name=\"v-low_v\" value=\"114\"", "in force 114\u{a0}V", "Alder › Alder 1 › Pole 1"] {
        assert!(form.body.contains(wanted), "{wanted} in {}", form.body);
    }
    assert!(!form.body.contains("Really raised"), "nothing was run");
    let run = "/backtest?of=voltage_range_a&condition=voltage_range_a&part=fleet&act=run&v-low_v=116";
    let page = test.get(&browser, run).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    for wanted in [
        "only with the values tried",
        "115.0 V",
        "Only in force",
        "/thresholds/voltage_range_a/low_v?scope=fleet&#38;value=116",
        "1 regulator, 7 days, 300 readings",
    ] {
        assert!(page.body.contains(wanted), "{wanted} in {}", page.body);
    }
    let sorted = test.get(&browser, &format!("{run}&sort=tried")).await.body;
    assert!(sorted.contains("aria-sort=\"descending\""));
    let thresholds = test.get(&browser, "/thresholds/voltage_range_a/low_v?scope=fleet&value=116").await;
    assert_eq!(thresholds.status, StatusCode::OK);
    let engineer = test.browser(Role::Engineer).await;
    let thresholds = test.get(&engineer, "/thresholds/voltage_range_a/low_v?scope=fleet&value=116").await;
    assert!(thresholds.body.contains("value=\"116\""), "{}", thresholds.body);
}

#[tokio::test]
async fn what_cannot_be_run_is_told_where_it_is_to_be_mended() {
    let test = app().await;
    let browser = test.browser(Role::View).await;
    let base = "/backtest?of=voltage_range_a&condition=voltage_range_a&act=run";
    for (more, why) in [
        ("&v-low_v=much", "is not a number"),
        ("&v-low_v=10", "is outside what is accepted"),
        ("&v-low_v=120&v-high_v=115", "must be below the highest"),
        ("&from=2026-01-01&to=2026-03-01", "60 days long"),
        ("&from=yesterday", "is not a day"),
        ("&part=galaxy", "names no part of the fleet"),
    ] {
        let page = test.get(&browser, &format!("{base}{more}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{more}");
        assert!(page.body.contains(why), "{more}: {why} in {}", page.body);
        assert!(!page.body.contains("Really raised"));
    }
    let page = test.get(&browser, "/backtest?condition=endpoint_silent&of=endpoint_silent&act=run").await;
    assert!(page.body.contains("cannot know whether an endpoint answered"), "{}", page.body);
}

#[tokio::test]
async fn a_second_one_is_told_what_runs_now() {
    let test = app().await;
    let _turn = test.app.backtest.take(Arc::new(Progress::new("a long one".to_owned()))).unwrap();
    let run = "/backtest?of=voltage_range_a&condition=voltage_range_a&act=run";
    let page = test.get(&test.browser(Role::View).await, run).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.body.contains("Another backtest runs now: “a long one”, 0 of 0 done"), "{}", page.body);
}
