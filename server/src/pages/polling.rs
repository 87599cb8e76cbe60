//! Health of polling, for whoever looks after Tapkeeper.

use std::collections::BTreeMap;

use axum::{
    Router,
    extract::State,
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::{TimeDelta, Utc};
use regulator::Timestamp;
use sqlx::PgConnection;
use web::{
    frame::Section,
    polling::{Database, Endpoint, Follower, Health, Outbox, Poller, PollingPage},
};

use super::html;
use crate::{app::App, error::WebError, notification, people::SignedIn};

/// Endpoints shown.
const MOST: i64 = 1000;
/// A poller reports every few seconds; after this it is silent.
const SILENT: TimeDelta = TimeDelta::seconds(60);

pub(super) fn routes() -> Router<App> {
    Router::new().route("/polling", get(show))
}

async fn show(signed_in: SignedIn, State(app): State<App>) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let now = Utc::now();
    let (total, sick) = endpoint_counts(&mut db, now).await?;
    let page = PollingPage {
        frame: signed_in.frame("Polling", Section::Polling),
        pollers: pollers(&mut db, now).await?,
        endpoints: endpoints(&mut db, now).await?,
        total,
        sick,
        followers: followers(&mut db).await?,
        database: database(&mut db).await?,
        outbox: outbox(&mut db).await?,
        now,
    };
    Ok(html(&page)?.into_response())
}

async fn pollers(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Poller>> {
    let mut pollers = sqlx::query_as!(
        Poller,
        r#"select poller as name, heartbeat_at, started_at, heartbeat_at < $1 as "silent!", endpoints, regulators, polls,
                readings_written as written, readings_held as held, readings_given_up as given_up, lateness_p99_ms
           from poller_health order by poller"#,
        now - SILENT,
    )
    .fetch_all(db)
    .await?;
    pollers.sort_by_key(|p| (!p.silent, p.given_up == 0, p.held == 0));
    Ok(pollers)
}

/// Endpoints in use, and those of them that are not well.
async fn endpoint_counts(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<(i64, i64)> {
    let row = sqlx::query!(
        r#"select count(*) as "total!",
             count(*) filter (where h.endpoint_id is null or h.failing_since is not null or h.updated_at < $1) as "sick!"
           from endpoint e left join endpoint_health h on h.endpoint_id = e.id
           where exists (select from regulator r where r.endpoint_id = e.id and r.retired_at is null)"#,
        now - SILENT,
    )
    .fetch_one(db)
    .await?;
    Ok((row.total, row.sick))
}

async fn endpoints(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Endpoint>> {
    let rows = sqlx::query!(
        r#"select e.address,
                (select string_agg(distinct s.name, ', ' order by s.name) from regulator r
                 join bank b on b.id = r.bank_id join site s on s.id = b.site_id
                 where r.endpoint_id = e.id and r.retired_at is null) as sites,
                h.poller as "poller?", h.updated_at as "updated_at?", h.last_success_at, h.failing_since, h.last_error_kind,
                h.last_error, h.latency_ms, h.lateness_ms, h.polls as "polls?", h.failures as "failures?",
                h.restarts as "restarts?", h.overflows as "overflows?", h.clock_offset_ms,
                (select string_agg(distinct concat_ws(' ', d.manufacturer, d.model, d.software_version), '; ') from device d
                 where d.endpoint_id = e.id) as devices
           from endpoint e left join endpoint_health h on h.endpoint_id = e.id
           where exists (select from regulator r where r.endpoint_id = e.id and r.retired_at is null)
           order by case when h.failing_since is not null then 0 when h.endpoint_id is null then 1
                         when h.updated_at < $1 then 2 else 3 end, h.failing_since desc, e.address
           limit $2"#,
        now - SILENT,
        MOST,
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| Endpoint {
            health: match (row.failing_since, row.updated_at) {
                (Some(_), _) => Health::Failing,
                (None, None) => Health::Unpolled,
                (None, Some(at)) if at < now - SILENT => Health::Silent,
                _ => Health::Well,
            },
            address: row.address,
            sites: row.sites.unwrap_or_default(),
            poller: row.poller,
            last_success_at: row.last_success_at,
            failing_since: row.failing_since,
            error_kind: row.last_error_kind,
            error: row.last_error,
            latency_ms: row.latency_ms,
            lateness_ms: row.lateness_ms,
            polls: row.polls.unwrap_or_default(),
            failures: row.failures.map(counts).unwrap_or_default(),
            devices: row.devices.unwrap_or_default(),
            restarts: row.restarts.unwrap_or_default(),
            overflows: row.overflows.unwrap_or_default(),
            clock_offset_ms: row.clock_offset_ms,
        })
        .collect())
}

/// Counts by kind, the most frequent first.
fn counts(stored: serde_json::Value) -> Vec<(String, i64)> {
    let counts: BTreeMap<String, i64> = serde_json::from_value(stored).unwrap_or_default();
    let mut counts: Vec<_> = counts.into_iter().filter(|(_, n)| *n > 0).collect();
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    counts
}

/// Every follower of the feed and how far it is behind; beyond 100,000 batches the count stops.
pub(super) async fn followers(db: &mut PgConnection) -> sqlx::Result<Vec<Follower>> {
    sqlx::query_as!(
        Follower,
        r#"select c.follower as name, c.moved_at,
                (select count(*) from (select from reading_batch b where b.id > c.batch_id limit 100000) l) as "lag!",
                (select b.written_at from reading_batch b where b.id > c.batch_id order by b.id limit 1) as oldest
           from feed_cursor c order by c.follower"#
    )
    .fetch_all(db)
    .await
}

async fn database(db: &mut PgConnection) -> sqlx::Result<Database> {
    let tomorrow = (Utc::now() + TimeDelta::days(1)).format("%Y%m%d").to_string();
    sqlx::query_as!(
        Database,
        r#"select pg_database_size(current_database()) as "size_bytes!", count(day) as "partitions!",
                to_char(to_date(min(day), 'YYYYMMDD'), 'YYYY-MM-DD') as first_day,
                to_char(to_date(max(day), 'YYYYMMDD'), 'YYYY-MM-DD') as last_day,
                coalesce(max(day) >= $1, false) as "ahead!"
           from (select right(c.relname, 8) as day from pg_inherits i join pg_class c on c.oid = i.inhrelid
                 where i.inhparent = 'reading'::regclass and c.relname ~ '^reading_\d{8}$') p"#,
        tomorrow,
    )
    .fetch_one(db)
    .await
}

async fn outbox(db: &mut PgConnection) -> sqlx::Result<Outbox> {
    let status = notification::status(db).await?;
    Ok(Outbox {
        waiting: status.waiting + status.sending,
        given_up: status.given_up,
        oldest: status.oldest_waiting,
    })
}

#[cfg(test)]
mod tests {
    use crate::{
        people::Role,
        testing::{TestApp, regulator},
    };

    #[tokio::test]
    async fn an_empty_database_says_what_to_do_first() {
        let test = TestApp::new().await;
        let page = test.get(&test.browser(Role::View).await, "/polling").await.body;
        assert!(page.contains("tapkeeper poll") && page.contains("tapkeeper fleet import"), "{page}");
        assert!(page.contains("readings of tomorrow would have no place"));
    }

    #[tokio::test]
    async fn what_is_sick_stands_first_with_the_remedy() {
        let test = TestApp::new().await;
        let mut db = test.db().await;
        regulator(&mut db).await;
        sqlx::raw_sql(
            "insert into endpoint (address) select 'modbus-tcp://127.0.0.' || n || ':502' from generate_series(2, 4) n;
             insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
             select b.id, p.phase, 333, 438, 7620, 63.5, 1000, e.id, 1, 'test'
             from bank b, (values ('B', '%0.2:%'), ('C', '%0.3:%'), ('AB', '%0.4:%')) p (phase, address)
             join endpoint e on e.address like p.address;
             insert into endpoint_health (endpoint_id, poller, updated_at, last_success_at, failing_since, last_error_kind, last_error,
                 latency_ms, polls, failures)
             select id, 'north', now(), now() - interval '20 minutes', now() - interval '19 minutes', 'timeout',
                 'no answer from unit 1 within 2 s', 12, 5000, '{\"timeout\": 117, \"connect\": 2}'
             from endpoint where address like '%0.3:%';
             insert into endpoint_health (endpoint_id, poller, updated_at, last_success_at, latency_ms, polls)
             select id, 'north', now() - case when address like '%0.4:%' then interval '2 minutes' else interval '0' end,
                 now(), 8, 5000
             from endpoint where address like '%0.2:%' or address like '%0.4:%';
             insert into poller_health (poller, started_at, heartbeat_at, endpoints, regulators, polls, readings_written,
                 readings_held, readings_given_up, lateness_p99_ms)
             values ('north', now() - interval '3 hours', now(), 2, 2, 1234567, 10, 0, 0, 12.4),
                    ('south', now() - interval '3 hours', now() - interval '5 minutes', 2, 2, 10, 10, 0, 0, null);
             insert into reading_batch (poller, session_started_at, watermark) values ('north', now(), now()), ('north', now(), now());
             insert into feed_cursor (follower, batch_id) select 'detection', min(id) from reading_batch;",
        )
        .execute(&mut *db)
        .await
        .unwrap();
        let page = test.get(&test.browser(Role::View).await, "/polling").await.body;
        let healths: Vec<_> =
            page.split("data-health=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
        assert_eq!(healths, ["failing", "not polled", "no report", "answering"]);
        for expected in [
            "3 of 4 endpoints need a hand",
            "Failing for 19 min: no answer from unit 1 within 2 s",
            "check the unit number",
            "timeout 117, connect 2",
            "Silent",
            "1\u{202f}234\u{202f}567",
            "1 batch behind",
        ] {
            assert!(page.contains(expected), "{expected} in {page}");
        }
        assert!(page.find(">south<") < page.find(">north<"), "the silent poller first");
    }
}
