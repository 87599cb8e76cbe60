//! The page of causes as a browser gets it.

use axum::http::StatusCode;
use chrono::{DateTime, Utc};
use regulator::causes::Cause;

use crate::{
    inventory::testing::fleet,
    pages::life::testing::{live, operation, show_inventory, worn},
    people::Role,
    testing::TestApp,
};

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Two regulators at Alder 1; their sites are in Chicago, five hours behind UTC in October.
async fn app() -> (TestApp, Vec<i32>) {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = fleet(&mut db, 2).await;
    for (id, time, what) in [
        (0, "2026-10-01T18:00:00Z", (3, Cause::Load, 0.8, false)),
        (0, "2026-10-02T04:30:00Z", (1, Cause::Hunting, 0.6, true)), // still 1 October there
        (0, "2026-10-02T05:30:00Z", (4, Cause::Load, 0.5, false)),
        (1, "2026-10-05T12:00:00Z", (2, Cause::Clouds, 0.9, false)), // a Monday
    ] {
        operation(&mut db, ids[id], at(time), what).await;
    }
    live(&mut db, ids[0], (40, at("2026-10-06T00:00:00Z")), Some(0), &worn(0, 0)).await;
    drop(db);
    show_inventory(&test).await;
    (test, ids)
}

fn lines(csv: &str) -> Vec<Vec<&str>> {
    csv.lines().map(|line| line.split(',').collect()).collect()
}

#[tokio::test]
async fn operations_are_counted_by_cause_on_the_days_of_the_site() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let csv = test.get(&browser, "/causes.csv?from=2026-10-01&to=2026-10-05&by=day").await;
    assert_eq!(csv.headers["content-type"], "text/csv; charset=utf-8");
    let table = lines(&csv.body);
    assert_eq!(
        table[0][..6],
        ["place", "period", "operations", "undone_within_5_min", "load_operations", "load_share_percent"]
    );
    // 3 by load and 1 by hunting on the first, 4 on the second, none for two days, 2 on the fifth
    let days: Vec<_> = table[1..].iter().map(|l| (l[1], l[2], l[3], l[4], l[5], l[6])).collect();
    assert_eq!(days[0], ("2026-10-01", "4", "1", "3", "75.0", "0.80"));
    assert_eq!(days[1], ("2026-10-02", "4", "0", "4", "100.0", "0.50"));
    assert_eq!(days[2], ("2026-10-03", "0", "0", "0", "", ""));
    assert_eq!((days.len(), days[4].1), (5, "2"));

    let path = format!("/causes.csv?place=regulator:{}&from=2026-10-01&to=2026-10-05&by=week", ids[0]);
    let weeks = test.get(&browser, &path).await.body;
    let table = lines(&weeks);
    assert_eq!((table[1][1], table[1][2], table[1][3]), ("week of 2026-09-28", "8", "1"));
    assert_eq!((table[2][1], table[2][2]), ("week of 2026-10-05", "0"));
}

#[tokio::test]
async fn the_page_leads_from_the_fleet_down_to_a_regulator_and_says_what_is_not_analysed() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/causes?from=2026-10-01&to=2026-10-31").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains(
        "10 operations; 1 of them (10\u{a0}%) undone within five minutes. 1 of 2 regulators analysed."
    ));
    assert!(page.body.contains("<th scope=\"row\">load change</th><td class=\"figure\">7</td><td class=\"figure\">70\u{a0}%</td><td class=\"figure\">0.63</td>"));
    assert!(page.body.contains("fill=\"url(#k-hunting)\""), "a pattern of its own");
    assert!(page.body.contains("place=substation:") && page.body.contains(">Alder</a>"));
    let place = page.body.split("place=substation:").nth(1).unwrap().split('&').next().unwrap().to_owned();
    let below = test
        .get(&browser, &format!("/causes?place=substation:{place}&from=2026-10-01&to=2026-10-31"))
        .await
        .body;
    assert!(below.contains(">Alder 1</a>") && below.contains(">Fleet</a>"));
    let one = format!("/causes?place=regulator:{}&from=2026-10-01&to=2026-10-31", ids[1]);
    let one = test.get(&browser, &one).await.body;
    assert!(one.contains("Nothing analysed yet: of 1 regulators"), "it has no life");
}

#[tokio::test]
async fn an_empty_database_says_so_and_bad_addresses_are_told() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/causes").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("Nothing analysed yet."));
    for (path, status) in [
        ("/causes?place=feeder:77", StatusCode::NOT_FOUND),
        ("/causes?by=year", StatusCode::BAD_REQUEST),
        ("/causes?from=soon", StatusCode::BAD_REQUEST),
        ("/causes?from=2026-10-05&to=2026-10-01", StatusCode::BAD_REQUEST),
        ("/causes?from=1999-01-01&to=2026-10-01", StatusCode::BAD_REQUEST),
    ] {
        assert_eq!(test.get(&browser, path).await.status, status, "{path}");
    }
}
