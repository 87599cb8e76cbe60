//! Maintenance windows, seen from the browser.

use axum::http::StatusCode;
use chrono::{TimeDelta, Utc};
use chrono_tz::America::Denver;
use regulator::{alarms::Event, conditions::Condition};

use crate::{
    alarms::{Act, Place, clock, record},
    people::Role,
    testing::{TestApp, regulator},
};

fn local(hours: i64) -> String {
    (Utc::now() + TimeDelta::hours(hours)).with_timezone(&Denver).format("%Y-%m-%dT%H:%M").to_string()
}

#[tokio::test]
async fn a_window_is_planned_on_the_clock_of_its_place_holds_alarms_back_and_is_ended() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let feeder: i32 = sqlx::query_scalar("select id from feeder").fetch_one(&mut *db).await.unwrap();
    let engineer = test.browser(Role::Engineer).await;
    let scope = format!("feeder:{feeder}");
    let page = test.get(&engineer, &format!("/windows?scope={scope}")).await.body;
    assert!(
        page.contains(&format!("value=\"{scope}\" selected")) && page.contains(&local(0)[..13]),
        "{page}"
    );
    let (from, to) = (local(-1), local(3));
    let fields = [("scope", scope.as_str()), ("from", &from), ("to", &to), ("reason", "relay test")];
    let answer = test.post(&engineer, "/windows", &fields).await;
    assert_eq!(answer.location(), "/windows?done=planned", "{}", answer.body);

    let at = Utc::now();
    let act = Act::new(Place::Regulator(unit), Condition::ReversePower, Event::Raise, at);
    let recorded = record(&mut db, vec![act], None).await.unwrap();
    assert!(recorded.announced.is_empty(), "nobody is told");
    let id: i32 = sqlx::query_scalar("select id from maintenance_window").fetch_one(&mut *db).await.unwrap();
    let page = test.get(&engineer, &format!("/windows/{id}")).await.body;
    for words in [
        "relay test",
        "Raised inside: 1",
        "raised during maintenance",
        "Reverse power",
        "Person who may engineer",
    ] {
        assert!(page.contains(words), "{words} in {page}");
    }
    let answer = test.post(&engineer, &format!("/windows/{id}/end"), &[]).await;
    assert_eq!(answer.location(), "/windows?done=ended");
    clock::tick(&mut db, Utc::now() + TimeDelta::seconds(1)).await.unwrap();
    let announced: i64 = sqlx::query_scalar("select count(*) from alarm where announced_at is not null")
        .fetch_one(&mut *db)
        .await
        .unwrap();
    assert_eq!(announced, 1, "what still stands is told");
    assert_eq!(
        test.post(&engineer, &format!("/windows/{id}/end"), &[]).await.location(),
        "/windows?done=unchanged"
    );
    let page = test.get(&engineer, "/windows").await.body;
    assert!(page.contains("ended early by Person who may engineer"), "{page}");
}

#[tokio::test]
async fn a_planned_window_is_called_off_and_never_holds_anything() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let engineer = test.browser(Role::Engineer).await;
    let (from, to, scope) = (local(2), local(4), format!("regulator:{unit}"));
    let fields = [("scope", scope.as_str()), ("from", &from), ("to", &to), ("reason", "x")];
    test.post(&engineer, "/windows", &fields).await;
    let id: i32 = sqlx::query_scalar("select id from maintenance_window").fetch_one(&mut *db).await.unwrap();
    assert!(test.get(&engineer, "/windows").await.body.contains("Call off"));
    test.post(&engineer, &format!("/windows/{id}/end"), &[]).await;
    let page = test.get(&engineer, &format!("/windows/{id}")).await.body;
    assert!(page.contains("Called off") && !page.contains("Raised inside"), "{page}");
    let act = Act::new(
        Place::Regulator(unit),
        Condition::ReversePower,
        Event::Raise,
        Utc::now() + TimeDelta::hours(3),
    );
    assert_eq!(record(&mut db, vec![act], None).await.unwrap().announced.len(), 1);
}

#[tokio::test]
async fn mistakes_are_said_at_their_field_and_what_was_typed_is_kept() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let engineer = test.browser(Role::Engineer).await;
    let scope = format!("regulator:{unit}");
    let (now, later) = (local(0), local(2));
    for (fields, fault, words) in [
        (["regulator:1", &now, &later, "typed"], "scope-fault", "Choose where"),
        (["", &now, &later, "typed"], "scope-fault", "Choose where"),
        ([&scope, "soon", &later, "typed"], "from-fault", "“soon” is not a day and a time"),
        ([&scope, &later, &now, "typed"], "to-fault", "must end after it begins"),
        ([&scope, &now, &later, " "], "reason-fault", "Say why"),
    ] {
        let [scope, from, to, reason] = fields;
        let sent = [("scope", scope), ("from", from), ("to", to), ("reason", reason)];
        let answer = test.post(&engineer, "/windows", &sent).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{fault}");
        assert!(
            answer.body.contains(&format!("id=\"{fault}\"")) && answer.body.contains(words),
            "{}",
            answer.body
        );
        assert!(reason == " " || answer.body.contains("value=\"typed\""), "{}", answer.body);
        assert!(answer.body.contains(&format!("value=\"{from}\"")), "{from}");
    }
    let none: i64 =
        sqlx::query_scalar("select count(*) from maintenance_window").fetch_one(&mut *db).await.unwrap();
    assert_eq!(none, 0);
    assert_eq!(test.get(&engineer, "/windows/1").await.status, StatusCode::NOT_FOUND);
    let reader = test.browser(Role::Operate).await;
    assert!(!test.get(&reader, "/windows").await.body.contains("Plan it"));
}
