//! A million past alarms, and how long lists and measures take with them. Run by hand:
//! `cargo nextest run --run-ignored all -E 'test(a_million)' --no-capture`.

use std::time::Instant;

use axum::http::StatusCode;
use sqlx::PgConnection;

use crate::{people::Role, testing::TestApp};

/// Twelve substations, a thousand regulators, each with four alarms that came and went 250 times within a year; a few open.
async fn generate(db: &mut PgConnection) {
    sqlx::raw_sql(
        "insert into profile (name, source) values ('plain', '');
         insert into substation (name) select 'Substation ' || n from generate_series(1, 12) n;
         insert into feeder (substation_id, name) select id, name || ' feeder' from substation;
         insert into site (feeder_id, name, time_zone)
             select f.id, f.name || ' pole ' || n, 'America/Denver' from feeder f, generate_series(1, 84) n;
         insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from site;
         insert into endpoint (address) select 'modbus-tcp://10.0.0.1:' || 1000 + n from generate_series(1, 1008) n;
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
             select b.id, 'A', 333, 438, 7620, 63.5, 1000, e.id, 1, 'plain'
             from (select id, row_number() over (order by id) nr from bank) b
             join (select id, row_number() over (order by id) nr from endpoint) e using (nr);
         insert into alarm_point (condition, regulator_id)
             select c, r.id from regulator r, unnest(array['voltage_range_a', 'reverse_power', 'tap_limit', 'excess_tapping']) c;
         insert into alarm (condition, regulator_id, priority, raised_at, returned_at, summary, evidence, point_id, announced_at,
                            acknowledged_at, acknowledged_by)
             select p.condition, p.regulator_id, case p.condition when 'reverse_power' then 3 when 'tap_limit' then 3 else 2 end,
                 t.at, t.at + make_interval(secs => 30 + (p.id * 7919 + n) % 100000), 'load voltage 112.9 V, below 114 V for 5 min',
                 '[{\"label\": \"Load voltage\", \"value\": 112.9, \"unit\": \"V\"}]', p.id, t.at,
                 case when n % 3 = 0 then t.at + interval '10 minutes' end, case when n % 3 = 0 then 'Ola' end
             from alarm_point p, generate_series(1, 249) n,
                 lateral (select now() - make_interval(secs => n * 126000 + (p.id * 104729) % 120000) as at) t;
         insert into alarm_transition (alarm_id, point_id, kind, at, recorded_at, process, holds)
             select id, point_id, 'raised', raised_at, raised_at, 'unacknowledged', '{}' from alarm;
         insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence, point_id, announced_at)
             select condition, regulator_id, 3, now(), 'so it is', '[]', id, now() from alarm_point where id % 40 = 0;
         update alarm_point p set alarm_id = a.id, process = case when a.returned_at is null then 'unacknowledged' else 'returned' end
             from (select distinct on (point_id) id, point_id, returned_at from alarm order by point_id, raised_at desc, id desc) a
             where a.point_id = p.id;",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    for statement in ["vacuum analyze alarm", "vacuum analyze alarm_transition", "analyze"] {
        sqlx::raw_sql(statement).execute(&mut *db).await.unwrap();
    }
}

#[tokio::test]
#[ignore = "takes minutes; prints timings rather than judging them"]
async fn a_million_past_alarms_are_no_burden() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    generate(&mut db).await;
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
