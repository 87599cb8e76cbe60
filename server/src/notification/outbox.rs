//! Who is to be told of a transition: one row per (transition, recipient, way, occasion), in the transaction that made it.

use regulator::Timestamp;
use sqlx::PgConnection;

use super::{calling, quiet};
use crate::alarms::Recorded;

/// The channel on which the outbox says that it has new rows.
pub(crate) const CHANNEL: &str = "notification";

/// Puts the messages about these steps of alarms into the outbox, in the caller's transaction, and returns how many are new.
/// Harmless when they are there already.
///
/// Of an alarm's being announced, every standing recipient is told whose area covers it and whose least priority it reaches; and the calling of those on
/// call is prepared, which the next [`tick`] begins. Of its return, those are told who were told of it: an end without a beginning helps nobody.
/// Acknowledgements are not sent, but end the calling. The alarm of an endpoint lies in the areas of all regulators behind it, that of a substation in
/// those of its feeders, that of a poller or of a part of the program in the whole fleet.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn tell(conn: &mut PgConnection, recorded: &Recorded) -> sqlx::Result<u64> {
    if !recorded.owes() {
        return Ok(0);
    }
    // Quiet hours are on people's clocks, not on the readings'.
    let now = sqlx::query_scalar!(r#"select clock_timestamp() as "now!""#).fetch_one(&mut *conn).await?;
    tell_at(conn, recorded, now).await
}

/// The same at a given time.
pub(crate) async fn tell_at(
    conn: &mut PgConnection,
    recorded: &Recorded,
    now: Timestamp,
) -> sqlx::Result<u64> {
    // Announced ones first: a return in the same call asks for them.
    let announced = announce(&mut *conn, &recorded.announced).await?;
    quiet::keep(&mut *conn, &announced, now).await?;
    calling::prepare(&mut *conn, &recorded.announced).await?;
    calling::stop(&mut *conn, &recorded.quieted, now).await?;
    let returned = give_back(&mut *conn, &recorded.ended).await?;
    quiet::keep(&mut *conn, &returned, now).await?;
    let added = announced.len() + returned.len();
    ring(conn, added > 0).await?;
    Ok(added as u64)
}

/// What is due by `now`: quiet hours that end, people to be called.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn tick(conn: &mut PgConnection, now: Timestamp) -> sqlx::Result<()> {
    let released = quiet::release(&mut *conn, now).await?;
    let called = calling::tick(&mut *conn, now).await?;
    ring(conn, released + called > 0).await
}

/// Wakes whoever delivers, when the transaction is committed.
pub(super) async fn ring(conn: &mut PgConnection, yes: bool) -> sqlx::Result<()> {
    if yes {
        sqlx::query!("select pg_notify($1, '')", CHANNEL).execute(conn).await?;
    }
    Ok(())
}

async fn announce(conn: &mut PgConnection, transition_ids: &[i64]) -> sqlx::Result<Vec<i64>> {
    if transition_ids.is_empty() {
        return Ok(Vec::new());
    }
    sqlx::query_scalar!(
        "insert into notification (transition_id, alarm_id, priority, recipient_id, way)
         select t.id, a.id, a.priority, r.id, w.way
         from alarm_transition t
         join alarm a on a.id = t.alarm_id
         join recipient r on r.standing and r.disabled_at is null and a.priority >= r.least_priority
         left join person p on p.id = r.person_id
         cross join lateral (values ('email', r.email), ('webhook', r.webhook_url), ('text_email', r.text_email),
             ('text_http', r.text_url)) as w (way, address)
         where t.id = any($1) and w.address is not null and p.disabled_at is null
           and (r.area_kind = 'fleet' or exists (
               select from alarm_area v where v.alarm_id = a.id
                 and case r.area_kind when 'feeder' then v.feeder_id else v.substation_id end = r.area_id))
         order by t.id, r.id
         on conflict (transition_id, recipient_id, way, occasion) do nothing
         returning id",
        transition_ids
    )
    .fetch_all(conn)
    .await
}

/// Tells of returns.
async fn give_back(conn: &mut PgConnection, transition_ids: &[i64]) -> sqlx::Result<Vec<i64>> {
    if transition_ids.is_empty() {
        return Ok(Vec::new());
    }
    sqlx::query_scalar!(
        "insert into notification (transition_id, alarm_id, priority, recipient_id, way)
         select distinct t.id, t.alarm_id, n.priority, n.recipient_id, n.way
         from alarm_transition t
         join notification n on n.alarm_id = t.alarm_id and n.state <> 'dropped'
         join alarm_transition told on told.id = n.transition_id and told.kind <> 'returned'
         join recipient r on r.id = n.recipient_id
         where t.id = any($1) and t.kind = 'returned' and r.disabled_at is null
           and case n.way when 'email' then r.email when 'webhook' then r.webhook_url
                   when 'text_email' then r.text_email else r.text_url end is not null
         on conflict (transition_id, recipient_id, way, occasion) do nothing
         returning id",
        transition_ids
    )
    .fetch_all(conn)
    .await
}

#[cfg(test)]
pub(crate) async fn enqueue_all(conn: &mut PgConnection, steps: &[i64]) -> sqlx::Result<u64> {
    let of = async |conn: &mut PgConnection, kind: &str| {
        sqlx::query_scalar("select id from alarm_transition where id = any($1) and kind = $2")
            .bind(steps)
            .bind(kind)
            .fetch_all(conn)
            .await
    };
    let announced = of(&mut *conn, "raised").await?;
    let ended = of(&mut *conn, "returned").await?;
    let quieted =
        sqlx::query_scalar("select alarm_id from alarm_transition where id = any($1) and kind <> 'raised'")
            .bind(steps)
            .fetch_all(&mut *conn)
            .await?;
    tell(conn, &Recorded { announced, ended, quieted, ..Recorded::default() }).await
}

#[cfg(test)]
pub(crate) async fn enqueue(conn: &mut PgConnection, step: i64) -> sqlx::Result<u64> {
    enqueue_all(conn, &[step]).await
}

#[cfg(test)]
mod tests;
