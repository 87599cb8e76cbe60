//! Why a site taps and where it stands, as a browser gets it.

use axum::http::StatusCode;
use chrono::{TimeDelta, Utc};
use regulator::causes::Cause;

use crate::{
    inventory::testing::fleet,
    pages::life::testing::{day, live, operation, show_inventory, worn},
    people::Role,
    testing::TestApp,
};

#[tokio::test]
async fn a_site_tells_causes_operations_and_dwell() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let id = fleet(&mut db, 1).await[0];
    let now = Utc::now();
    for hours in 1..=20 {
        let what = if hours == 1 { (1, Cause::Hunting, 0.7, true) } else { (1, Cause::Source, 0.9, false) };
        operation(&mut db, id, now - TimeDelta::hours(hours), what).await;
    }
    live(&mut db, id, (70, now), Some(100), &worn(10, 1000)).await;
    for back in 0..=1 {
        day(&mut db, id, now.date_naive() - TimeDelta::days(back), 10, &worn(5, 500)).await;
    }
    drop(db);
    show_inventory(&test).await;
    let site = test.app.picture.read(|f| f.units()[0].regulator.site.id);
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, &format!("/site/{site}")).await;
    assert_eq!(page.status, StatusCode::OK);
    let said = page.body.replace('\u{a0}', " ");
    for words in [
        "<th scope=\"row\">source voltage change</th><td class=\"figure\">19 · 95 % <span class=\"soft\">· 0.90</span>",
        "<th scope=\"row\">undone within five minutes</th><td class=\"figure\">1 · 5 %",
        "<td class=\"number\">+3 → +4</td>",
        "source moved −1.5 V of −1.5 V",
        "These are the newest 15.",
        "Tap +3, no operation for at least 70 d, never seen to move; first seen",
        "On the raise side of neutral for at least 70 d, first seen",
        "Not seen on neutral since readings began",
        "Exercise due: contacts.",
        "neutral",
        "96 % of the known time",
    ] {
        assert!(said.contains(words), "{words} in {said}");
    }
    let part = test.get(&browser, &format!("/site/{site}/life?span=1h")).await;
    assert_eq!(part.status, StatusCode::OK);
    assert!(part.body.starts_with("<svg") && part.body.contains("Why it taps"));

    let list = test.get(&browser, &format!("/site/{site}/operations?span=24h")).await;
    assert_eq!((list.status, list.body.matches("+3 → +4").count()), (StatusCode::OK, 20));
    let first_twelve = (now - TimeDelta::minutes(750)).timestamp_micros();
    let rest =
        test.get(&browser, &format!("/site/{site}/operations?span=24h&after={first_twelve}.{id}")).await;
    assert_eq!(rest.body.matches("+3 → +4").count(), 8, "those before that instant");
    let csv = test.get(&browser, &format!("/site/{site}/operations.csv?span=24h")).await.body;
    let lines: Vec<_> = csv.lines().collect();
    assert_eq!(lines.len(), 21);
    assert_eq!(
        lines[0],
        "utc,local,regulator,tap_from,tap_to,operations,cause,confidence,undone_within_5_min,evidence"
    );
    assert!(
        lines[1].ends_with(",Phase A,3,4,1,hunting,0.70,yes,source moved −1.5 V of −1.5 V"),
        "{}",
        lines[1]
    );
    let bad = test.get(&browser, &format!("/site/{site}/operations?after=x")).await;
    assert_eq!(bad.status, StatusCode::BAD_REQUEST);
    assert_eq!(test.get(&browser, "/site/999/operations").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_site_without_analysis_says_so() {
    let test = TestApp::new().await;
    fleet(&mut *test.db().await, 1).await;
    show_inventory(&test).await;
    let site = test.app.picture.read(|f| f.units()[0].regulator.site.id);
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, &format!("/site/{site}")).await;
    assert_eq!((page.status, page.body.matches("Nothing analysed yet.").count()), (StatusCode::OK, 2));
    let list = test.get(&browser, &format!("/site/{site}/operations")).await.body;
    assert!(list.contains("No operation analysed in this range."));
}
