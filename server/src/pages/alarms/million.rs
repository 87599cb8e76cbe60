//! A million past alarms, and how long lists and measures take with them. Run by hand:
//! `cargo nextest run --run-ignored all -E 'test(a_million)' --no-capture`.

use std::time::Instant;

use axum::http::StatusCode;

use crate::{people::Role, testing::TestApp};

#[tokio::test]
#[ignore = "takes minutes; prints timings rather than judging them"]
async fn a_million_past_alarms_are_no_burden() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    crate::bench::million_alarms(&mut db).await.unwrap();
    let count: i64 = sqlx::query_scalar("select count(*) from alarm").fetch_one(&mut *db).await.unwrap();
    println!("{count} alarms");
    let browser = test.browser(Role::Operate).await;
    let paths = [
        "/alarms",
        "/alarms?view=groups",
        "/alarms?state=returned",
        "/alarms?state=shelved",
        "/alarms?state=past",
        "/alarms?state=all",
        "/alarms?state=past&place=nowhere",
        "/alarms?state=past&place=pole+17+A",
        "/alarms?state=past&place=substation",
        "/alarms?state=all&place=substation+3&condition=reverse_power",
        "/alarms?state=past&place=modbus",
        "/alarms?state=past&condition=wear_limit",
        "/alarms?state=past&condition=reverse_power&priority=low",
        "/alarms?state=past&priority=critical",
        "/alarms?state=past&priority=high",
        "/alarms?state=past&place=substation&priority=critical",
        "/alarms?state=past&place=substation&condition=wear_limit",
        "/alarms?state=past&from=2020-01-01&to=2020-12-31",
        "/alarms?state=past&to=2026-03-01&place=pole+5&condition=tap_limit",
        "/alarms?state=past&substation=10001&priority=medium",
        "/alarms?state=past&place=pole+17+A&priority=low",
        "/handover",
        "/windows",
        "/alarm-quality",
    ];
    let substation: i32 =
        sqlx::query_scalar("select min(id) from substation").fetch_one(&mut *db).await.unwrap();
    let now = chrono::Utc::now().date_naive();
    let year = now - chrono::Days::new(364);
    let mut paths: Vec<String> = paths.iter().map(|p| p.replace("10001", &substation.to_string())).collect();
    paths.push(format!("/alarm-quality?from={year}&to={now}"));
    paths.push(format!("/alarm-quality?from={year}&to={now}&place=substation:{substation}"));
    for path in paths {
        let mut best = f64::INFINITY;
        for _ in 0..3 {
            let begun = Instant::now();
            let page = test.get(&browser, &path).await;
            best = best.min(begun.elapsed().as_secs_f64() * 1000.0);
            assert_eq!(page.status, StatusCode::OK, "{path}");
        }
        println!("{best:8.1} ms  {path}");
    }
}
