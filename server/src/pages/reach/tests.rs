//! How people are reached, seen from the browser.

use axum::http::StatusCode;
use chrono::{TimeDelta, Utc};
use oncall::rota::{Level, PersonId, Rota, Share, Start};

use crate::{
    on_call::Kept,
    people::Role,
    testing::{Browser, TestApp},
};

fn fields<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    [("area", "fleet"), ("least_priority", "high")].into_iter().chain(more.iter().copied()).collect()
}

#[tokio::test]
async fn a_person_saves_their_own_ways_and_their_recipient_is_made() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let offered = test.get(&browser, "/reach").await.body;
    assert!(
        offered.contains("No way is stored") && offered.contains("value=\"view@example.org\""),
        "{offered}"
    );
    let path = format!("/reach/{}", browser.person_id);
    let quiet = [
        ("email", "me@example.org"),
        ("quiet", "yes"),
        ("quiet_from", "22:00"),
        ("quiet_to", "06:30"),
        ("quiet_day", "Mon"),
        ("quiet_day", "Sat"),
        ("quiet_up_to", "2"),
        ("quiet_zone", "America/Denver"),
    ];
    let saved = test.post(&browser, &path, &fields(&quiet)).await;
    assert_eq!(saved.location(), "/reach?done=changed", "{}", saved.body);
    let row: (Option<i32>, String, bool, String, serde_json::Value) =
        sqlx::query_as("select person_id, email, standing, area_kind, quiet from recipient")
            .fetch_one(&mut *test.db().await)
            .await
            .unwrap();
    assert_eq!(
        (row.0, row.1.as_str(), row.2, row.3.as_str()),
        (Some(browser.person_id), "me@example.org", false, "fleet")
    );
    let hours: oncall::quiet::QuietHours = serde_json::from_value(row.4).unwrap();
    assert_eq!((hours.from.to_string(), hours.days.0), ("22:00:00".to_owned(), 0b10_0001));
    let page = test.get(&browser, "/reach").await.body;
    assert!(page.contains("value=\"06:30\"") && page.contains("value=\"Sat\" checked"), "{page}");

    let again = test
        .post(
            &browser,
            &path,
            &fields(&[("webhook_url", "https://hooks.example.org/a"), ("standing", "yes")]),
        )
        .await;
    assert!(again.body.contains("whsec_") && again.body.contains("shown only now"), "{}", again.body);
    let row: (i64, bool, bool) =
        sqlx::query_as("select count(*) over (), standing, quiet is null from recipient")
            .fetch_one(&mut *test.db().await)
            .await
            .unwrap();
    assert_eq!(row, (1, true, true));
    assert!(!test.get(&browser, "/reach").await.body.contains("whsec_"), "shown once");
    let tried = test.post(&browser, &format!("{path}/test"), &[]).await;
    assert!(tried.body.contains("The test by webhook failed"), "{}", tried.body);
}

#[tokio::test]
async fn mistakes_are_refused_with_the_remedy_and_what_was_typed_stays() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let path = format!("/reach/{}", browser.person_id);
    let quiet = |from, day, up_to, zone| {
        vec![
            ("quiet", "yes"),
            ("quiet_from", from),
            ("quiet_to", "06:30"),
            ("quiet_day", day),
            ("quiet_up_to", up_to),
            ("quiet_zone", zone),
        ]
    };
    for (more, why) in [
        (vec![("email", "me")], "is not an e-mail address"),
        (vec![("text_number", "+13035550100")], "Give the web address of the gateway"),
        (quiet("late", "Mon", "2", "UTC"), "Quiet from: “late” is not a time of day"),
        (quiet("22:00", "none", "2", "UTC"), "on no day of the week"),
        (quiet("22:00", "Mon", "4", "UTC"), "Critical messages cannot wait"),
        (quiet("22:00", "Mon", "2", "Nowhere"), "“Nowhere” is not a time zone"),
    ] {
        let answer = test.post(&browser, &path, &fields(&more)).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST);
        assert!(answer.body.contains(why), "{why} in {}", answer.body);
        for (name, value) in
            more.iter().filter(|(name, _)| ["email", "quiet_from", "quiet_zone"].contains(name))
        {
            assert!(answer.body.contains(&format!("value=\"{value}\"")), "{name}");
        }
    }
}

#[tokio::test]
async fn others_are_for_administrators() {
    let test = TestApp::new().await;
    let (me, other) = (test.browser(Role::Engineer).await, test.browser(Role::View).await);
    let path = format!("/reach/{}", other.person_id);
    assert_eq!(test.get(&me, &path).await.status, StatusCode::FORBIDDEN);
    assert_eq!(
        test.post(&me, &path, &fields(&[("email", "me@example.org")])).await.status,
        StatusCode::FORBIDDEN
    );
    let administrator = test.browser(Role::Administer).await;
    let saved = test.post(&administrator, &path, &fields(&[("email", "them@example.org")])).await;
    assert_eq!(saved.location(), format!("{path}?done=changed"));
    let people = test.get(&administrator, "/people").await.body;
    assert!(people.contains(&format!("href=\"{path}\"")));
    let list = test.get(&administrator, "/recipients").await.body;
    assert!(list.contains(&format!("href=\"{path}\"")) && list.contains("when on call"), "{list}");
    assert_eq!(test.get(&administrator, "/reach/999999").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_calendar_is_read_with_its_address_alone_until_there_is_a_new_one() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let start =
        Start { date: (Utc::now() - TimeDelta::days(20)).date_naive(), time: "08:00:00".parse().unwrap() };
    let turns = [browser.person_id, browser.person_id + 1].map(|id| Share { person: PersonId(id), days: 7 });
    let level = Level { start: Some(start), turns: turns.to_vec(), ..Level::default() };
    let rota = Rota { zone: chrono_tz::America::Denver, levels: vec![level], holidays: Default::default() };
    let kept = serde_json::to_value(Kept { rota, holiday_names: Default::default() }).unwrap();
    sqlx::query("insert into rota (name, area_kind, rota) values ('Fleet', 'fleet', $1)")
        .bind(kept)
        .execute(&mut *test.db().await)
        .await
        .unwrap();
    let renew = async || {
        let page = test.post(&browser, &format!("/reach/{}/calendar", browser.person_id), &[]).await.body;
        let (_, rest) = page.split_once("http://127.0.0.1:8080/calendar/").expect("the address");
        format!("/calendar/{}", rest.split('<').next().unwrap())
    };
    let first = renew().await;
    let feed = test.get(&Browser::default(), &first).await;
    assert_eq!(feed.status, StatusCode::OK);
    assert_eq!(feed.headers["content-type"], "text/calendar; charset=utf-8");
    assert!(feed.body.starts_with("BEGIN:VCALENDAR\r\n"), "{}", feed.body);
    // every other week of 30 days back and a year ahead, from 20 days ago on: 26 or 27, by the day of the week
    let events = feed.body.matches("BEGIN:VEVENT").count();
    assert!((27..=29).contains(&events), "{events}");
    assert!(feed.body.contains("SUMMARY:On call\\, level 1: Whole fleet"), "{}", feed.body);
    let page = test.get(&browser, "/reach").await.body;
    assert!(page.contains("Whole fleet</a>, level 1:") && !page.contains(first.as_str()));
    let second = renew().await;
    assert_eq!(test.get(&Browser::default(), &first).await.status, StatusCode::NOT_FOUND);
    assert_eq!(test.get(&Browser::default(), &second).await.status, StatusCode::OK);
    assert_eq!(test.get(&Browser::default(), "/calendar/guess.ics").await.status, StatusCode::NOT_FOUND);
    sqlx::query("update person set disabled_at = now() where id = $1")
        .bind(browser.person_id)
        .execute(&mut *test.db().await)
        .await
        .unwrap();
    assert_eq!(test.get(&Browser::default(), &second).await.status, StatusCode::NOT_FOUND, "disabled");
}
