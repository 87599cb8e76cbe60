//! Alarms, seen from the browser.

use axum::http::StatusCode;
use chrono::Utc;
use regulator::{alarms::Event, conditions::Condition};
use sqlx::PgConnection;

use crate::{
    alarms::{Act, Place, record, replay},
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
        "with p as (
           insert into alarm_point (condition, regulator_id, process) values ($1, $2, 'unacknowledged')
           on conflict (condition, place_key) do update set process = 'unacknowledged' returning id)
         insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence, point_id)
         select $1, $2, $3, date_trunc('second', now()) - make_interval(mins => $4), 'power −52 kW, below −7 kW for 2 min',
                '[{\"label\": \"Real power\", \"value\": -52.0, \"unit\": \"kW\"}]', p.id from p returning id",
    )
    .bind(condition)
    .bind(regulator_id)
    .bind(priority)
    .bind(minutes)
    .fetch_one(&mut *db)
    .await
    .unwrap();
    sqlx::query(
        "update alarm_point p set alarm_id = a.id from alarm a where a.id = $1 and p.id = a.point_id",
    )
    .bind(id)
    .execute(&mut *db)
    .await
    .unwrap();
    sqlx::query("insert into alarm_transition (alarm_id, point_id, kind, at) select id, point_id, 'raised', raised_at from alarm where id = $1")
        .bind(id)
        .execute(db)
        .await
        .unwrap();
    id
}

async fn give_back(db: &mut PgConnection, id: i64) {
    sqlx::query(
        "with a as (update alarm set returned_at = raised_at + interval '30 seconds' where id = $1 returning point_id, id, acknowledged_at)
         update alarm_point p set process = case when a.acknowledged_at is null then 'returned' else 'normal' end
         from a where p.id = a.point_id and p.alarm_id = a.id",
    )
    .bind(id)
    .execute(db)
    .await
    .unwrap();
}

fn numbers(page: &str) -> Vec<i64> {
    page.split("<tr id=\"a").skip(1).map(|row| row.split('"').next().unwrap().parse().unwrap()).collect()
}

/// The count beside a state at the head of the list.
fn count(page: &str, state: &str) -> i64 {
    let (_, rest) = page.split_once(&format!("{state} <b>")).unwrap_or_else(|| panic!("{state} in {page}"));
    rest.split('<').next().unwrap().parse().unwrap()
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
    let ten_days_ago = (Utc::now() - chrono::TimeDelta::days(10)).date_naive();
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
    let odd = [
        "state=odd",
        "condition=odd",
        "priority=9",
        "from=yesterday",
        "after=1.2",
        "site=x",
        "substation=x",
        "view=odd",
    ];
    for bad in odd {
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
         union all select 'poller_silent', null, 'p1', 4, '2026-07-01 18:00:00Z', 'silent', '[]';
         insert into alarm_point (condition, poller) values ('poller_silent', 'p1');",
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
         insert into notification (transition_id, alarm_id, recipient_id, way, state, last_error)
         select t.id, t.alarm_id, r.id, 'email', 'given_up', 'the mailbox is full' from alarm_transition t, recipient r;
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

/// Raises an alarm as detection does, a minute ago; returns its number.
async fn told(db: &mut PgConnection, regulator_id: i32, condition: Condition) -> i64 {
    let at = Utc::now() - chrono::TimeDelta::minutes(1);
    let act = Act {
        summary: "so it is".into(),
        ..Act::new(Place::Regulator(regulator_id), condition, Event::Raise, at)
    };
    record(&mut *db, vec![act], None).await.unwrap();
    sqlx::query_scalar("select max(id) from alarm").fetch_one(db).await.unwrap()
}

#[tokio::test]
async fn what_is_put_aside_is_not_open_but_counted_and_one_click_away_with_who_and_why() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let shelved = told(&mut db, unit, Condition::ReversePower).await;
    let out = told(&mut db, unit, Condition::TapLimit).await;
    let open = told(&mut db, unit, Condition::NotAutomatic).await;
    let browser = test.browser(Role::Operate).await;
    let answer = test
        .post(&browser, &format!("/alarms/{shelved}/shelve"), &[("reason", "cloudy noon"), ("length", "900")])
        .await;
    assert_eq!(answer.location(), format!("/alarms/{shelved}?done=shelved"));
    let answer =
        test.post(&browser, &format!("/alarms/{out}/take-out"), &[("reason", "sensor broken")]).await;
    assert_eq!(answer.location(), format!("/alarms/{out}?done=taken-out"));

    let list = test.get(&browser, "/alarms").await.body;
    assert_eq!(numbers(&list), [open]);
    let counts =
        ["Open, unacknowledged", "Open, acknowledged", "Shelved", "Suppressed by design", "Out of service"];
    assert_eq!(counts.map(|state| count(&list, state)), [1, 0, 1, 0, 1]);
    for (state, id, words) in [("shelved", shelved, "cloudy noon"), ("out_of_service", out, "sensor broken")]
    {
        let page = test.get(&browser, &format!("/alarms?state={state}")).await.body;
        assert_eq!(numbers(&page), [id], "{state}");
        assert!(page.contains("by Person who may operate") && page.contains(words), "{page}");
        let page = test.get(&browser, &format!("/alarms/{id}")).await.body;
        assert!(page.contains("kept from the open alarms") && page.contains(words), "{page}");
    }
    assert_eq!(numbers(&test.get(&browser, "/alarms?state=suppressed").await.body).len(), 0);

    for (id, deed, done) in [(shelved, "unshelve", "unshelved"), (out, "put-back", "put-back")] {
        let answer = test.post(&browser, &format!("/alarms/{id}/{deed}"), &[]).await;
        assert_eq!(answer.location(), format!("/alarms/{id}?done={done}"));
        let again = test.post(&browser, &format!("/alarms/{id}/{deed}"), &[]).await;
        assert_eq!(again.location(), format!("/alarms/{id}?done=unchanged"));
    }
    let page = test.get(&browser, &format!("/alarms/{shelved}?done=unshelved")).await.body;
    assert!(
        page.contains("Taken off the shelf.")
            && page.contains("taken off the shelf by Person who may operate"),
        "{page}"
    );
    assert_eq!(numbers(&test.get(&browser, "/alarms").await.body).len(), 3);
    assert_eq!(replay::differences(&mut db).await.unwrap(), Vec::<String>::new());
}

#[tokio::test]
async fn putting_aside_needs_a_reason_and_a_time_that_the_priority_allows_and_keeps_what_was_typed() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = told(&mut db, unit, Condition::ReversePower).await;
    let browser = test.browser(Role::Operate).await;
    let shelve = format!("/alarms/{id}/shelve");
    for (fields, words) in [
        (vec![("reason", " "), ("length", "900")], "Say why"),
        (
            vec![("reason", "a <b> reason"), ("length", "900"), ("other", "8 d")],
            "is the most for this priority",
        ),
        (vec![("reason", "a <b> reason"), ("other", "a while")], "“a while” is not a length of time"),
    ] {
        let answer = test.post(&browser, &shelve, &fields).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{fields:?}");
        assert!(
            answer.body.contains(words) && answer.body.contains("aria-invalid"),
            "{words} in {}",
            answer.body
        );
        if fields[0].1.len() > 1 {
            assert!(answer.body.contains("value=\"a &#60;b&#62; reason\""), "{}", answer.body);
        }
    }
    let answer = test.post(&browser, &format!("/alarms/{id}/take-out"), &[("reason", "")]).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    let held: bool = sqlx::query_scalar("select held from alarm_point").fetch_one(&mut *db).await.unwrap();
    assert!(!held, "nothing was done");
}

#[tokio::test]
async fn several_are_acknowledged_at_once_and_the_list_comes_back_as_it_was() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let one = told(&mut db, unit, Condition::ReversePower).await.to_string();
    let two = told(&mut db, unit, Condition::TapLimit).await.to_string();
    let three = told(&mut db, unit, Condition::NotAutomatic).await;
    let browser = test.browser(Role::Operate).await;
    let back = ("back", "/alarms?place=mill%20lane");
    let bad = test.post(&browser, "/alarms/acknowledge", &[back, ("note", "seen")]).await;
    assert_eq!(bad.status, StatusCode::BAD_REQUEST);
    assert!(bad.body.contains("Nothing is ticked") && bad.body.contains("value=\"seen\""), "{}", bad.body);
    let fields = [back, ("note", "seen"), ("id", one.as_str()), ("id", two.as_str())];
    let answer = test.post(&browser, "/alarms/acknowledge", &fields).await;
    assert_eq!(answer.location(), "/alarms?place=mill%20lane&done=several");
    let again = test.post(&browser, "/alarms/acknowledge", &fields).await;
    assert_eq!(again.location(), "/alarms?place=mill%20lane&done=already");
    assert_eq!(numbers(&test.get(&browser, "/alarms?state=unacknowledged").await.body), [three]);
    let notes: Vec<String> =
        sqlx::query_scalar("select note from alarm_transition where kind = 'acknowledged'")
            .fetch_all(&mut *db)
            .await
            .unwrap();
    assert_eq!(notes, ["seen", "seen"]);
    for foreign in ["https://example.org/", "//example.org", "/people", "%%%"] {
        let id = three.to_string();
        let answer = test.post(&browser, "/alarms/acknowledge", &[("back", foreign), ("id", &id)]).await;
        assert!(answer.location().starts_with("/alarms?done="), "{foreign}: {}", answer.location());
    }
    let ticked = test.get(&browser, "/alarms?state=all&tick=all").await.body;
    assert_eq!(ticked.matches("type=\"checkbox\"").count(), 0, "all are seen");
    let reader = test.browser(Role::View).await;
    assert!(!test.get(&reader, "/alarms").await.body.contains("checkbox"));
}

#[tokio::test]
async fn open_alarms_stand_in_groups_that_lead_to_their_lists() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let reverse = told(&mut db, unit, Condition::ReversePower).await;
    told(&mut db, unit, Condition::NotAutomatic).await;
    let at = Utc::now();
    let endpoint: i32 =
        sqlx::query_scalar("select endpoint_id from regulator").fetch_one(&mut *db).await.unwrap();
    let silent = Act::new(Place::Endpoint(endpoint), Condition::EndpointSilent, Event::Raise, at);
    record(&mut db, vec![silent], None).await.unwrap();
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/alarms?view=groups").await.body;
    let substation: i32 = sqlx::query_scalar("select id from substation").fetch_one(&mut *db).await.unwrap();
    for (condition, found) in [("reverse_power", 1), ("not_automatic", 1), ("endpoint_silent", 1)] {
        let href = format!("/alarms?condition={condition}&substation={substation}");
        assert!(page.contains(&format!("href=\"{}\"", href.replace('&', "&#38;"))), "{href} in {page}");
        assert_eq!(numbers(&test.get(&browser, &href).await.body).len(), found, "{href}");
    }
    assert_eq!(
        numbers(&test.get(&browser, "/alarms?condition=reverse_power&substation=999").await.body).len(),
        0
    );
    assert_eq!(numbers(&test.get(&browser, "/alarms?condition=reverse_power").await.body), [reverse]);
}

#[tokio::test]
async fn notes_of_an_alarm_a_regulator_and_a_site_stand_together_on_the_site() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    let id = told(&mut db, unit, Condition::ReversePower).await;
    let site: i32 = sqlx::query_scalar("select id from site").fetch_one(&mut *db).await.unwrap();
    let browser = test.browser(Role::Operate).await;
    let about = format!("regulator:{unit}");
    for (path, fields) in [
        (format!("/alarms/{id}/notes"), vec![("text", "solar at noon")]),
        (format!("/site/{site}/notes"), vec![("about", "site"), ("text", "gate code changed")]),
        (format!("/site/{site}/notes"), vec![("about", about.as_str()), ("text", "door <dented>")]),
    ] {
        assert_eq!(test.post(&browser, &path, &fields).await.status, StatusCode::SEE_OTHER, "{path}");
    }
    let page = test.get(&browser, &format!("/alarms/{id}")).await.body;
    assert!(page.contains("solar at noon") && !page.contains("gate code"));
    for (fields, words) in [
        (vec![("about", "site"), ("text", " ")], "The note is empty"),
        (vec![("about", "regulator:1"), ("text", "kept words")], "kept words"),
    ] {
        let bad = test.post(&browser, &format!("/site/{site}/notes"), &fields).await;
        assert_eq!(bad.status, StatusCode::BAD_REQUEST);
        assert!(bad.body.contains(words), "{}", bad.body);
        for note in ["solar at noon", "gate code changed", "door &#60;dented&#62;"] {
            assert!(bad.body.contains(note), "{note} in {}", bad.body);
        }
    }
}

#[tokio::test]
async fn what_was_raised_behind_a_hold_is_marked() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let unit = regulator(&mut db).await;
    sqlx::query("insert into maintenance_window (scope_kind, scope_id, from_at, to_at, reason, person)
                 values ('regulator', $1, now() - interval '1 hour', now() + interval '1 hour', 'oil sample', 'Ola')")
        .bind(unit)
        .execute(&mut *db)
        .await
        .unwrap();
    let id = told(&mut db, unit, Condition::ReversePower).await;
    let browser = test.browser(Role::View).await;
    let list = test.get(&browser, "/alarms").await.body;
    assert_eq!((numbers(&list).len(), count(&list, "Suppressed by design")), (0, 1));
    let page = test.get(&browser, "/alarms?state=suppressed").await.body;
    assert_eq!(numbers(&page), [id]);
    assert!(page.contains("raised during maintenance") && page.contains("oil sample"), "{page}");
}
