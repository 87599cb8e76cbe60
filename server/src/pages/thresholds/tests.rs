//! Thresholds, seen from the browser.

use axum::http::StatusCode;

use crate::{
    people::Role,
    testing::{TestApp, regulator},
};

const LOW: &str = "/thresholds/voltage_range_a/low_v";

#[tokio::test]
async fn a_value_is_set_and_cleared_and_each_change_is_recorded() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = format!("regulator:{}", regulator(&mut db).await);
    let browser = test.browser(Role::Engineer).await;
    for (scope, value, act) in
        [("fleet", "115", "set"), (unit.as_str(), "113,5", "set"), ("fleet", "", "clear")]
    {
        let answer = test.post(&browser, LOW, &[("scope", scope), ("value", value), ("act", act)]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    }
    let set: Vec<(String, f64)> =
        sqlx::query_as("select scope_kind, value from threshold").fetch_all(&mut *db).await.unwrap();
    assert_eq!(set, [("regulator".to_owned(), 113.5)]);
    let changes: Vec<(String, String, Option<f64>, Option<f64>)> =
        sqlx::query_as("select person, scope_kind, old_value, new_value from threshold_change order by id")
            .fetch_all(&mut *db)
            .await
            .unwrap();
    let who = "Person who may engineer".to_owned();
    assert_eq!(
        changes,
        [
            (who.clone(), "fleet".into(), None, Some(115.0)),
            (who.clone(), "regulator".into(), None, Some(113.5)),
            (who, "fleet".into(), Some(115.0), None),
        ]
    );
    let page = test.get(&browser, LOW).await.body;
    assert!(page.contains("East › Feeder 1 › Mill Lane Bank 1 A") && page.contains("113.5\u{a0}V"), "{page}");
    let all = test.get(&browser, "/thresholds").await.body;
    assert!(all.contains("113.5\u{a0}V") && all.contains("Voltage outside range A: Lowest"));
}

#[tokio::test]
async fn lengths_of_time_are_taken_and_shown_as_people_write_them() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    let path = "/thresholds/not_automatic/delay_s";
    for (typed, seconds) in [("1 h 30 min", 5400.0), ("86400", 86_400.0), ("90s", 90.0), ("7 d", 604_800.0)] {
        let answer = test.post(&browser, path, &[("scope", "fleet"), ("value", typed), ("act", "set")]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
        let stored: f64 =
            sqlx::query_scalar("select value from threshold").fetch_one(&mut *test.db().await).await.unwrap();
        assert_eq!(stored, seconds, "{typed}");
    }
    for page in [path, "/thresholds"] {
        let page = test.get(&browser, page).await.body;
        let (now, history) = page.split_once("h-changes\">").unwrap();
        for words in ["default", "15\u{a0}min", "0\u{a0}s to 7\u{a0}d"] {
            assert!(now.contains(words), "{words} in {now}");
        }
        for words in ["90\u{a0}min", "24\u{a0}h", "90\u{a0}s", "7\u{a0}d"] {
            assert!(history.contains(words), "{words} in {history}");
        }
        assert!(!page.contains("00\u{a0}s"), "no bare seconds: {page}");
    }
}

#[tokio::test]
async fn a_refusal_stands_beside_its_field() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    for (scope, value, fault) in [("site:1", "115", "scope-fault"), ("fleet", "high", "value-fault")] {
        let fields = [("scope", scope), ("value", value), ("act", "set")];
        let page = test.post(&browser, LOW, &fields).await.body;
        assert_eq!(page.matches("role=\"alert\"").count(), 1, "{page}");
        assert!(page.contains(&format!("id=\"{fault}\"")), "{fault} in {page}");
        assert_eq!(page.matches("aria-invalid=\"true\"").count(), 1, "{page}");
    }
}

#[tokio::test]
async fn setting_what_is_set_records_nothing() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    for _ in 0..2 {
        test.post(&browser, LOW, &[("scope", "fleet"), ("value", "115"), ("act", "set")]).await;
    }
    let changes: i64 = sqlx::query_scalar("select count(*) from threshold_change")
        .fetch_one(&mut *test.db().await)
        .await
        .unwrap();
    assert_eq!(changes, 1);
}

#[tokio::test]
async fn what_cannot_be_is_refused_with_the_remedy_and_kept_in_the_form() {
    let test = TestApp::new().await;
    let unit = format!("regulator:{}", regulator(&mut *test.db().await).await);
    let browser = test.browser(Role::Engineer).await;
    let poller = "/thresholds/poller_silent/delay_s";
    for (path, scope, value, why) in [
        (LOW, "fleet", "high", "“high” is not a number; give one from 80 to 125\u{a0}V"),
        (LOW, "fleet", "NaN", "is not a number"),
        (LOW, "fleet", "inf", "is not a number"),
        (LOW, "fleet", "", "is not a number"),
        (LOW, "fleet", "12000", "12000\u{a0}V is outside what is accepted"),
        (LOW, "fleet", "113,500", "can be read in two ways; write it without the comma"),
        (poller, "fleet", "soon", "“soon” is not a length of time; give one from 5\u{a0}s to 24\u{a0}h"),
        (
            poller,
            "fleet",
            "15 parsecs",
            "written as in 90 s, 15 min, 24 h or 30 d; a number alone is seconds",
        ),
        (
            poller,
            "fleet",
            "30 d",
            "30\u{a0}d is outside what is accepted; give one from 5\u{a0}s to 24\u{a0}h",
        ),
        (LOW, "site:1", "115", "no longer in the inventory"),
        (LOW, "fleet:1", "115", "no longer in the inventory"),
        (poller, unit.as_str(), "60", "choose a wider place"),
    ] {
        let answer = test.post(&browser, path, &[("scope", scope), ("value", value), ("act", "set")]).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{value}");
        assert!(answer.body.contains(why), "{why} in {}", answer.body);
        assert!(answer.body.contains(&format!("value=\"{value}\"")));
    }
    let set: i64 =
        sqlx::query_scalar("select count(*) from threshold").fetch_one(&mut *test.db().await).await.unwrap();
    assert_eq!(set, 0);
}

#[tokio::test]
async fn the_lowest_voltage_stays_below_the_highest_in_force_there() {
    let test = TestApp::new().await;
    let unit = format!("regulator:{}", regulator(&mut *test.db().await).await);
    let browser = test.browser(Role::Engineer).await;
    let high = "/thresholds/voltage_range_a/high_v";
    let set = async |path: &str, scope: &str, value: &str| {
        test.post(&browser, path, &[("scope", scope), ("value", value), ("act", "set")]).await
    };
    assert_eq!(set(high, "fleet", "120").await.status, StatusCode::SEE_OTHER);
    let refused = set(LOW, &unit, "121").await;
    assert!(refused.body.contains("must be below “Highest”, which is 120\u{a0}V there"), "{}", refused.body);
    assert_eq!(set(high, &unit, "125").await.status, StatusCode::SEE_OTHER);
    assert_eq!(set(LOW, &unit, "121").await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn an_unknown_parameter_is_not_found() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    for path in ["/thresholds/odd/low_v", "/thresholds/voltage_range_a/odd"] {
        assert_eq!(test.get(&browser, path).await.status, StatusCode::NOT_FOUND);
        assert_eq!(test.post(&browser, path, &[]).await.status, StatusCode::NOT_FOUND);
    }
}
