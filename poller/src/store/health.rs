//! The health tables, brought up to date from the counters.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;

use crate::endpoint::Identity;
use crate::metrics::{EndpointState, Shared};

/// Writes what the counters say of this poller and its endpoints.
///
/// # Errors
/// When the database does not answer or refuses.
pub async fn write(connection: &mut PgConnection, poller: &str, counters: &Shared) -> sqlx::Result<()> {
    let behind = sqlx::query_scalar!(
        r#"select coalesce((select max(id) from reading_batch), 0)
                  - coalesce((select batch_id from feed_cursor where follower = 'rollup'), 0) as "behind!""#
    )
    .fetch_one(&mut *connection)
    .await?;
    let (own, endpoints) = {
        let mut counters = counters.lock();
        counters.rollup_behind = u64::try_from(behind).unwrap_or(0);
        (Own::take(&mut counters), counters.endpoints.take())
    };
    sqlx::query!(
        "insert into poller_health (poller, started_at, heartbeat_at, endpoints, regulators, polls, readings_written,
             readings_held, readings_given_up, lateness_p99_ms, detail)
         values ($1, $2, clock_timestamp(), $3, $4, $5, $6, $7, $8, $9, $10)
         on conflict (poller) do update set (started_at, heartbeat_at, endpoints, regulators, polls, readings_written,
             readings_held, readings_given_up, lateness_p99_ms, detail)
         = row (excluded.started_at, excluded.heartbeat_at, excluded.endpoints, excluded.regulators, excluded.polls,
             excluded.readings_written, excluded.readings_held, excluded.readings_given_up, excluded.lateness_p99_ms,
             excluded.detail)",
        poller,
        own.started_at,
        own.endpoints,
        own.regulators,
        own.polls,
        own.written,
        own.held,
        own.given_up,
        own.lateness_p99_ms,
        own.detail
    )
    .execute(&mut *connection)
    .await?;
    write_endpoints(connection, poller, &endpoints).await?;
    write_devices(connection, &endpoints).await
}

/// The numbers of the poller itself, in the types of the table.
struct Own {
    started_at: DateTime<Utc>,
    endpoints: i32,
    regulators: i32,
    polls: i64,
    written: i64,
    held: i64,
    given_up: i64,
    lateness_p99_ms: Option<f32>,
    detail: serde_json::Value,
}

impl Own {
    fn take(counters: &mut crate::metrics::Counters) -> Self {
        Self {
            started_at: counters.started_at,
            endpoints: i32::try_from(counters.endpoint_count).unwrap_or(i32::MAX),
            regulators: i32::try_from(counters.regulator_count).unwrap_or(i32::MAX),
            polls: count(counters.polls),
            written: count(counters.written),
            held: count(counters.held),
            given_up: count(counters.given_up()),
            lateness_p99_ms: counters.take_lateness_p99_ms(),
            detail: serde_json::json!({
                "missed": counters.missed,
                "refused": counters.refused,
                "failures": counters.failures,
                "rollup_batches_behind": counters.rollup_behind,
            }),
        }
    }
}

async fn write_endpoints(
    connection: &mut PgConnection,
    poller: &str,
    endpoints: &[(i32, EndpointState)],
) -> sqlx::Result<()> {
    let column = |of: fn(&EndpointState) -> Option<DateTime<Utc>>| -> Vec<Option<DateTime<Utc>>> {
        endpoints.iter().map(|(_, state)| of(state)).collect()
    };
    let ids: Vec<i32> = endpoints.iter().map(|(id, _)| *id).collect();
    let error = |state: &EndpointState| state.last_error.clone();
    let kinds: Vec<Option<String>> =
        endpoints.iter().map(|(_, s)| error(s).map(|e| e.kind.name().to_owned())).collect();
    let texts: Vec<Option<String>> = endpoints.iter().map(|(_, s)| error(s).map(|e| e.text)).collect();
    let latencies: Vec<Option<f32>> = endpoints.iter().map(|(_, s)| s.latency_ms).collect();
    let latenesses: Vec<Option<f32>> = endpoints.iter().map(|(_, s)| s.lateness_ms).collect();
    let polls: Vec<i64> = endpoints.iter().map(|(_, s)| count(s.polls)).collect();
    let failures: Vec<serde_json::Value> =
        endpoints.iter().map(|(_, s)| serde_json::json!(s.failures)).collect();
    let restarts: Vec<i64> = endpoints.iter().map(|(_, s)| count(s.restarts)).collect();
    let overflows: Vec<i64> = endpoints.iter().map(|(_, s)| count(s.overflows)).collect();
    let offsets: Vec<Option<i64>> = endpoints.iter().map(|(_, s)| s.clock_offset_ms()).collect();
    sqlx::query!(
        "insert into endpoint_health (endpoint_id, poller, updated_at, last_success_at, last_failure_at, failing_since,
             last_error_kind, last_error, latency_ms, lateness_ms, polls, failures, restarts, overflows, clock_offset_ms)
         select id, $1, clock_timestamp(), success, failure, failing, kind, error, latency, lateness, polls, failures, restarts,
             overflows, clock
         from unnest($2::int[], $3::timestamptz[], $4::timestamptz[], $5::timestamptz[], $6::text[], $7::text[], $8::real[],
                     $9::real[], $10::bigint[], $11::jsonb[], $12::bigint[], $13::bigint[], $14::bigint[])
              h (id, success, failure, failing, kind, error, latency, lateness, polls, failures, restarts, overflows, clock)
         join endpoint using (id)
         on conflict (endpoint_id) do update set (poller, updated_at, last_success_at, last_failure_at, failing_since,
             last_error_kind, last_error, latency_ms, lateness_ms, polls, failures, restarts, overflows, clock_offset_ms)
         = row (excluded.poller, excluded.updated_at,
             coalesce(excluded.last_success_at, endpoint_health.last_success_at),
             coalesce(excluded.last_failure_at, endpoint_health.last_failure_at), excluded.failing_since,
             coalesce(excluded.last_error_kind, endpoint_health.last_error_kind),
             coalesce(excluded.last_error, endpoint_health.last_error),
             coalesce(excluded.latency_ms, endpoint_health.latency_ms), excluded.lateness_ms, excluded.polls,
             excluded.failures, excluded.restarts, excluded.overflows, excluded.clock_offset_ms)",
        poller,
        &ids,
        &column(|s| s.last_success_at) as &[Option<DateTime<Utc>>],
        &column(|s| s.last_failure_at) as &[Option<DateTime<Utc>>],
        &column(EndpointState::failing_since) as &[Option<DateTime<Utc>>],
        &kinds as &[Option<String>],
        &texts as &[Option<String>],
        &latencies as &[Option<f32>],
        &latenesses as &[Option<f32>],
        &polls,
        &failures,
        &restarts,
        &overflows,
        &offsets as &[Option<i64>]
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// What devices say they are, where that is news.
async fn write_devices(
    connection: &mut PgConnection,
    endpoints: &[(i32, EndpointState)],
) -> sqlx::Result<()> {
    let devices: Vec<_> = endpoints
        .iter()
        .flat_map(|(id, state)| state.identities.iter().map(move |(unit, identity)| (*id, *unit, identity)))
        .collect();
    if devices.is_empty() {
        return Ok(());
    }
    let texts = |of: fn(&Identity) -> &Option<String>| -> Vec<Option<String>> {
        devices.iter().map(|(.., identity)| of(identity).clone()).collect()
    };
    let ids: Vec<i32> = devices.iter().map(|(id, ..)| *id).collect();
    let units: Vec<i32> = devices.iter().map(|(_, unit, _)| i32::from(*unit)).collect();
    sqlx::query!(
        "insert into device (endpoint_id, unit, manufacturer, model, software_version, hardware_version, serial_number, told_at)
         select id, unit, maker, model, software, hardware, serial, clock_timestamp()
         from unnest($1::int[], $2::int[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[])
              d (id, unit, maker, model, software, hardware, serial)
         where exists (select from endpoint e where e.id = d.id)
         on conflict (endpoint_id, unit) do update set (manufacturer, model, software_version, hardware_version, serial_number,
             told_at)
         = row (excluded.manufacturer, excluded.model, excluded.software_version, excluded.hardware_version,
             excluded.serial_number, excluded.told_at)
         where (device.manufacturer, device.model, device.software_version, device.hardware_version, device.serial_number)
             is distinct from (excluded.manufacturer, excluded.model, excluded.software_version, excluded.hardware_version,
                 excluded.serial_number)",
        &ids,
        &units,
        &texts(|i| &i.manufacturer) as &[Option<String>],
        &texts(|i| &i.model) as &[Option<String>],
        &texts(|i| &i.software_version) as &[Option<String>],
        &texts(|i| &i.hardware_version) as &[Option<String>],
        &texts(|i| &i.serial_number) as &[Option<String>]
    )
    .execute(connection)
    .await?;
    Ok(())
}

fn count(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
