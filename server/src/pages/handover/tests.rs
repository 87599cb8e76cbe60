//! The handover, seen from the browser.

use axum::http::StatusCode;
use chrono::{TimeDelta, Utc};
use regulator::{alarms::Event, conditions::Condition};

use crate::{
    alarms::{Act, Place, record},
    people::Role,
    testing::{TestApp, regulator},
};

#[tokio::test]
async fn a_handover_says_how_things_stand_and_is_kept_as_it_was() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let at = Utc::now() - TimeDelta::minutes(5);
    let raise = |condition, at| Act::new(Place::Regulator(unit), condition, Event::Raise, at);
    let acts = vec![raise(Condition::ReversePower, at), raise(Condition::TapLimit, at)];
    record(&mut db, acts, None).await.unwrap();
    let ids: Vec<i64> =
        sqlx::query_scalar("select id from alarm order by condition").fetch_all(&mut *db).await.unwrap();
    let [reverse, limit] = ids[..] else { panic!("two alarms") };
    let browser = test.browser(Role::Operate).await;
    test.post(&browser, &format!("/alarms/{reverse}/acknowledge"), &[("note", "solar")]).await;
    test.post(&browser, &format!("/alarms/{limit}/shelve"), &[("reason", "known low"), ("length", "900")])
        .await;
    test.post(&browser, &format!("/alarms/{limit}/notes"), &[("text", "ask the planner")]).await;
    sqlx::query("insert into maintenance_window (scope_kind, scope_id, from_at, to_at, reason, person)
                 select 'site', id, now() + interval '5 hours', now() + interval '6 hours', 'oil change', 'Ola' from site")
        .execute(&mut *db)
        .await
        .unwrap();
    let now = test.get(&browser, "/handover").await.body;
    let expected = [
        "2 raised, 0 returned",
        "Open alarms: 1",
        "acknowledged by Person who may operate",
        "Shelved: 1",
        "known low",
        "Out of service: 0",
        "oil change",
        "Notes: 1",
        "ask the planner",
        "“solar”",
    ];
    for words in expected {
        assert!(now.contains(words), "{words} in {now}");
    }
    let answer = test.post(&browser, "/handover", &[("text", "quiet\r\nbut for <one>")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    let kept = answer.location().to_owned();

    // Afterwards the alarm returns and the next shift begins; the first one's sheet stays as it was.
    let back = Act::new(Place::Regulator(unit), Condition::ReversePower, Event::Return, Utc::now());
    record(&mut db, vec![back], None).await.unwrap();
    let was = test.get(&browser, &kept).await.body;
    for words in expected {
        assert!(was.contains(words), "{words} in {was}");
    }
    assert!(
        was.contains("quiet\nbut for &#60;one&#62;") && was.contains("Handed over by Person who may operate"),
        "{was}"
    );
    assert!(!was.contains("<form method=\"post\" action=\"/handover\""), "it is over");
    let next = test.get(&browser, "/handover").await.body;
    for words in ["Since the last handover", "0 raised, 1 returned", "Open alarms: 0", "Notes: 0"] {
        assert!(next.contains(words), "{words} in {next}");
    }
    assert!(next.contains(kept.split('?').next().unwrap()), "earlier ones are listed");
}

#[tokio::test]
async fn a_text_too_long_is_refused_and_kept_and_what_is_not_there_is_not_found() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Operate).await;
    let text = "ä".repeat(4001);
    let answer = test.post(&browser, "/handover", &[("text", &text)]).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    assert!(answer.body.contains("4001 characters; 4000 is the most") && answer.body.contains(&text));
    for path in ["/handover/1", "/handover/x"] {
        assert_eq!(test.get(&browser, path).await.status, StatusCode::NOT_FOUND);
    }
    let reader = test.browser(Role::View).await;
    assert!(!test.get(&reader, "/handover").await.body.contains("<textarea"));
}
