//! Alarms, seen from the browser.

use axum::http::StatusCode;
use sqlx::PgConnection;

use crate::{
    people::Role,
    testing::{TestApp, regulator},
};

/// Raises an alarm of a regulator so many minutes ago and returns its number.
async fn raise(
    db: &mut PgConnection,
    regulator_id: i32,
    condition: &str,
    priority: i16,
    minutes: i32,
) -> i64 {
    let id: i64 = sqlx::query_scalar(
        "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
         values ($1, $2, $3, date_trunc('second', now()) - make_interval(mins => $4), 'power −52 kW, below −7 kW for 2 min',
                 '[{\"label\": \"Real power\", \"value\": -52.0, \"unit\": \"kW\"}]') returning id",
    )
    .bind(condition)
    .bind(regulator_id)
    .bind(priority)
    .bind(minutes)
    .fetch_one(&mut *db)
    .await
    .unwrap();
    sqlx::query("insert into alarm_transition (alarm_id, kind, at) select id, 'raised', raised_at from alarm where id = $1")
        .bind(id)
        .execute(db)
        .await
        .unwrap();
    id
}

async fn give_back(db: &mut PgConnection, id: i64) {
    sqlx::query("update alarm set returned_at = raised_at + interval '30 seconds' where id = $1")
        .bind(id)
        .execute(db)
        .await
        .unwrap();
}

fn numbers(page: &str) -> Vec<i64> {
    page.split("<tr id=\"a").skip(1).map(|row| row.split('"').next().unwrap().parse().unwrap()).collect()
}

#[tokio::test]
async fn open_alarms_stand_in_order_of_urgency_and_past_ones_newest_first() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let old_high = raise(&mut db, unit, "reverse_power", 3, 90).await;
    let low = raise(&mut db, unit, "not_automatic", 1, 5).await;
    let medium = raise(&mut db, unit, "excess_tapping", 2, 10).await;
    let over = raise(&mut db, unit, "tap_limit", 2, 20).await;
    give_back(&mut db, over).await;
    let browser = test.browser(Role::Operate).await;
    assert_eq!(numbers(&test.get(&browser, "/alarms").await.body), [old_high, medium, low]);
    test.post(&browser, &format!("/alarms/{old_high}/acknowledge"), &[]).await;
    assert_eq!(numbers(&test.get(&browser, "/alarms").await.body), [medium, low, old_high], "seen ones last");
    assert_eq!(numbers(&test.get(&browser, "/alarms?state=past").await.body), [over]);
    assert_eq!(numbers(&test.get(&browser, "/alarms?state=all").await.body), [low, medium, over, old_high]);
}

#[tokio::test]
async fn the_list_is_narrowed_by_the_address() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let high = raise(&mut db, unit, "reverse_power", 3, 10).await;
    let low = raise(&mut db, unit, "not_automatic", 1, 60 * 24 * 10).await;
    let browser = test.browser(Role::View).await;
    let ten_days_ago = (chrono::Utc::now() - chrono::TimeDelta::days(10)).date_naive();
    for (query, expected) in [
        ("condition=reverse_power".to_owned(), vec![high]),
        ("priority=low".to_owned(), vec![low]),
        ("place=mill+lane".to_owned(), vec![high, low]),
        ("place=100%25".to_owned(), vec![]),
        ("state=acknowledged".to_owned(), vec![]),
        (format!("to={ten_days_ago}"), vec![low]),
        (format!("from={ten_days_ago}&to={ten_days_ago}"), vec![low]),
        ("from=2020-01-01&priority=high&state=unacknowledged&condition=&site=".to_owned(), vec![high]),
    ] {
        let page = test.get(&browser, &format!("/alarms?{query}")).await;
        assert_eq!(page.status, StatusCode::OK);
        assert_eq!(numbers(&page.body), expected, "{query}");
    }
    for bad in ["state=odd", "condition=odd", "priority=9", "from=yesterday", "after=1.2", "site=x"] {
        let page = test.get(&browser, &format!("/alarms?{bad}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{bad}");
        assert!(page.body.contains("Choose from the list"), "{bad}");
    }
}

#[tokio::test]
async fn alarms_without_a_site_tell_the_time_of_the_sites_they_concern() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    regulator(&mut db).await;
    // West Hill, in another zone, has two of three regulators behind a gateway, and Mill Lane the third; the commonest of the fleet
    // is still Denver's, by a further one. An endpoint that serves nobody has the fleet's time too.
    sqlx::raw_sql(
        "insert into site (feeder_id, name, time_zone) select id, 'West Hill', 'America/Los_Angeles' from feeder;
         insert into bank (site_id, name, connection)
         select s.id, n, 'wye' from site s, unnest(array['X', 'Y']) n;
         insert into endpoint (address) values ('modbus-tcp://gateway:502'), ('modbus-tcp://nobody:502');
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
         select b.id, phase, 333, 438, 7620, 63.5, 1000, e.id, row_number() over (), 'test'
         from (values ('West Hill', 'X', 'A'), ('West Hill', 'X', 'B'), ('Mill Lane', 'X', 'A')) v (site, bank, phase)
         join site s on s.name = v.site join bank b on b.site_id = s.id and b.name = v.bank, endpoint e
         where e.address = 'modbus-tcp://gateway:502';
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
         select b.id, phase, 333, 438, 7620, 63.5, 1000, e.id, row_number() over () + 10, 'test'
         from bank b, endpoint e, (values ('A'), ('B')) v (phase)
         where b.name = 'Y' and b.site_id = (select id from site where name = 'Mill Lane')
           and e.address = 'modbus-tcp://127.0.0.1:1502';
         insert into alarm (condition, endpoint_id, poller, priority, raised_at, summary, evidence)
         select 'endpoint_silent', id, null, 3, '2026-07-01 18:00:00Z'::timestamptz, 'silent', '[]'::jsonb from endpoint
         union all select 'poller_silent', null, 'p1', 4, '2026-07-01 18:00:00Z', 'silent', '[]';",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/alarms").await.body;
    let row_of = |place: &str| page.split("<tr id=").find(|row| row.contains(place)).unwrap_or_default();
    for (place, time) in [
        ("endpoint modbus-tcp://127.0.0.1:1502 (Mill Lane)<", "12:00:00 MDT"),
        ("endpoint modbus-tcp://gateway:502 (Mill Lane, West Hill)<", "11:00:00 PDT"),
        ("endpoint modbus-tcp://nobody:502<", "12:00:00 MDT"),
        ("poller p1<", "12:00:00 MDT"),
    ] {
        assert!(row_of(place).contains(time), "{place} at {time} in {page}");
    }
    for (query, found) in [("west+hill", 1), ("mill", 2), ("nobody", 1), ("modbus", 3), ("p1", 1)] {
        for state in ["open", "all"] {
            let page = test.get(&browser, &format!("/alarms?place={query}&state={state}")).await;
            assert_eq!(numbers(&page.body).len(), found, "{query} {state}: {}", page.body);
        }
    }
    let id: i64 = sqlx::query_scalar(
        "select a.id from alarm a join endpoint e on e.id = a.endpoint_id where address like '%gateway%'",
    )
    .fetch_one(&mut *db)
    .await
    .unwrap();
    let one = test.get(&browser, &format!("/alarms/{id}")).await.body;
    assert!(one.contains("2026-07-01 11:00:00 PDT") && one.contains("(Mill Lane, West Hill)"), "{one}");
}

#[tokio::test]
async fn many_sites_behind_an_endpoint_are_counted_rather_than_named() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    regulator(&mut db).await;
    sqlx::raw_sql(
        "insert into site (feeder_id, name, time_zone) select f.id, 'Site ' || n, 'America/Denver' from feeder f, generate_series(1, 4) n;
         insert into bank (site_id, name, connection) select id, 'Z', 'wye' from site;
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
         select b.id, 'C', 333, 438, 7620, 63.5, 1000, e.id, row_number() over () + 1, 'test' from bank b, endpoint e where b.name = 'Z';
         insert into alarm (condition, endpoint_id, priority, raised_at, summary, evidence)
         select 'endpoint_silent', id, 3, now(), 'silent', '[]' from endpoint;",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    let page = test.get(&test.browser(Role::View).await, "/alarms").await.body;
    assert!(page.contains("(Mill Lane, Site 1, Site 2 and 2 more)"), "{page}");
}

#[tokio::test]
async fn paging_shows_every_alarm_once() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    sqlx::query(
        "insert into alarm (condition, regulator_id, priority, raised_at, returned_at, summary, evidence)
         select 'excess_tapping', $1, 1 + n % 4, now() - make_interval(mins => n), now(), 'n', '[]' from generate_series(1, 250) n",
    )
    .bind(unit)
    .execute(&mut *db)
    .await
    .unwrap();
    let browser = test.browser(Role::View).await;
    for start in ["/alarms?state=past", "/alarms?state=all&priority=high"] {
        let (mut address, mut seen) = (start.to_owned(), Vec::new());
        loop {
            let page = test.get(&browser, &address).await.body;
            seen.extend(numbers(&page));
            let Some((_, rest)) = page.split_once("rel=\"next\" href=\"") else { break };
            address = rest.split('"').next().unwrap().replace("&#38;", "&");
        }
        let all = seen.len();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), all, "none twice");
        assert_eq!(all, if start.contains("high") { 63 } else { 250 });
    }
}

#[tokio::test]
async fn paging_by_urgency_goes_through_acknowledged_ones_too() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    // One open alarm a condition and place is the rule, so the pollers' names make places.
    sqlx::query(
        "insert into alarm (condition, poller, priority, raised_at, summary, evidence, acknowledged_at)
         select 'poller_silent', 'p' || n, 1 + n % 4, now() - make_interval(mins => n / 10), 'n', '[]',
                case when n % 3 = 0 then now() end
         from generate_series(1, 250) n",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    raise(&mut db, unit, "reverse_power", 3, 1).await;
    let browser = test.browser(Role::View).await;
    let (mut address, mut seen) = ("/alarms".to_owned(), Vec::new());
    loop {
        let page = test.get(&browser, &address).await.body;
        seen.extend(numbers(&page));
        let Some((_, rest)) = page.split_once("rel=\"next\" href=\"") else { break };
        address = rest.split('"').next().unwrap().replace("&#38;", "&");
    }
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen.len(), 251);
}

#[tokio::test]
async fn an_alarm_shows_its_evidence_its_readings_and_what_to_do() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = raise(&mut db, unit, "reverse_power", 3, 10).await;
    // Quality: load voltage good, source voltage not reported, current good, real power out of range.
    sqlx::query(
        "select make_reading_partitions((now() - interval '2 days')::date, (now() + interval '1 day')::date)",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    sqlx::query(
        "insert into reading (regulator_id, measured_at, load_voltage, current, real_power, quality)
         select $1, raised_at + make_interval(secs => n * 10), 121.25 + n, 80, -9999, '\\x01000102'
         from alarm, generate_series(-30, 30) n where id = $2",
    )
    .bind(unit)
    .bind(id)
    .execute(&mut *db)
    .await
    .unwrap();
    let page = test.get(&test.browser(Role::View).await, &format!("/alarms/{id}")).await;
    assert_eq!(page.status, StatusCode::OK);
    for expected in [
        "Reverse power",
        "Mill Lane",
        "−52\u{a0}kW",
        "Unacknowledged",
        "power −52 kW, below −7 kW for 2 min",
        "121.2\u{a0}V",
        "– none",
        "– out of range",
        "not a substitute for verification at the equipment",
        "switching procedures, local codes and licensed practice",
        "Nobody: no recipient takes alarms",
    ] {
        assert!(page.body.contains(expected), "{expected} in {}", page.body);
    }
    assert_eq!(page.body.matches("class=\"soft\"><th scope=\"row\"").count(), 5, "five readings after");
    assert!(!page.body.contains("9999"), "an unusable value is not shown as a number");
    assert!(!page.body.contains("<textarea"), "view may not acknowledge");
}

#[tokio::test]
async fn who_was_told_and_what_came_of_it_stands_on_the_alarm() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = raise(&mut db, unit, "reverse_power", 3, 10).await;
    sqlx::raw_sql(
        "insert into recipient (name, email, area_kind) values ('Desk <East>', 'desk@example.org', 'fleet');
         insert into notification (transition_id, recipient_id, way, state, last_error)
         select t.id, r.id, 'email', 'given_up', 'the mailbox is full' from alarm_transition t, recipient r;
         insert into notification_attempt (notification_id, outcome, detail)
         select id, 'failed', 'the server greylists' from notification;
         insert into notification_attempt (notification_id, outcome, detail)
         select id, 'refused', '552 mailbox full' from notification;",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    let page = test.get(&test.browser(Role::View).await, &format!("/alarms/{id}")).await.body;
    assert!(page.contains("Desk &#60;East&#62; by e-mail, of “raised”"), "{page}");
    assert!(page.contains("given up: the mailbox is full"));
    assert!(page.contains("failed — the server greylists") && page.contains("refused — 552 mailbox full"));
}

#[tokio::test]
async fn acknowledging_is_recorded_once_with_who_and_why() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = raise(&mut db, unit, "reverse_power", 3, 10).await;
    let path = format!("/alarms/{id}/acknowledge");
    let first = test.browser(Role::Operate).await;
    let second = test.browser(Role::Engineer).await;
    let answer = test.post(&first, &path, &[("note", "  crew sent ")]).await;
    assert_eq!(
        (answer.status, answer.location()),
        (StatusCode::SEE_OTHER, format!("/alarms/{id}?done=acknowledged").as_str())
    );
    let again = test.post(&second, &path, &[("note", "me too")]).await;
    assert_eq!(again.location(), format!("/alarms/{id}?done=already"));
    let row: (String, String) = sqlx::query_as("select acknowledged_by, acknowledge_note from alarm")
        .fetch_one(&mut *db)
        .await
        .unwrap();
    assert_eq!(row, ("Person who may operate".into(), "crew sent".into()));
    let steps: Vec<(String, Option<String>, Option<String>)> =
        sqlx::query_as("select kind, person, note from alarm_transition order by id")
            .fetch_all(&mut *db)
            .await
            .unwrap();
    assert_eq!(steps.len(), 2);
    assert_eq!(steps[1], ("acknowledged".into(), Some(row.0), Some(row.1)));
    let told: i64 =
        sqlx::query_scalar("select count(*) from notification").fetch_one(&mut *db).await.unwrap();
    assert_eq!(told, 0, "nobody is told of an acknowledgement");
    let page = test.get(&second, again.location()).await.body;
    assert!(page.contains("Someone had acknowledged it already") && page.contains("crew sent"));
}

#[tokio::test]
async fn a_note_too_long_is_refused_and_kept() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = raise(&mut db, unit, "reverse_power", 3, 10).await;
    let browser = test.browser(Role::Operate).await;
    let note = "ä".repeat(1001);
    let answer = test.post(&browser, &format!("/alarms/{id}/acknowledge"), &[("note", &note)]).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    assert!(answer.body.contains("1001 characters; 1000 is the most") && answer.body.contains(&note));
}

#[tokio::test]
async fn an_alarm_that_does_not_exist_is_not_found() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Operate).await;
    for path in ["/alarms/1", "/alarms/x", "/alarms/99999999999999999999"] {
        assert_eq!(test.get(&browser, path).await.status, StatusCode::NOT_FOUND, "{path}");
        let answer = test.post(&browser, &format!("{path}/acknowledge"), &[]).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
    }
}
