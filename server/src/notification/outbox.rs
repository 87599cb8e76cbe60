//! Who is to be told of a transition: one row per (transition, recipient, way), in the transaction that made it.

use sqlx::PgConnection;

use crate::alarms::Recorded;

/// The channel on which the outbox says that it has new rows.
pub(crate) const CHANNEL: &str = "notification";

/// Puts the messages about these steps of alarms into the outbox, in the caller's transaction, and returns how many are new.
/// Harmless when they are there already.
///
/// Of an alarm's being raised, every recipient is told whose area covers it and whose least priority it reaches. Of its return,
/// those who were told that it was raised: an end without a beginning helps nobody. Acknowledgements are not sent.
/// The alarm of an endpoint lies in the areas of all regulators behind it, that of a poller in the whole fleet.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn tell(conn: &mut PgConnection, recorded: &Recorded) -> sqlx::Result<u64> {
    if !recorded.owes() {
        return Ok(0);
    }
    // Raised ones first: a return in the same call asks for them.
    let raised = enqueue_raised(conn, &recorded.announced).await?;
    let returned = enqueue_returned(conn, &recorded.ended).await?;
    let added = raised + returned;
    if added > 0 {
        sqlx::query!("select pg_notify($1, '')", CHANNEL).execute(&mut *conn).await?;
    }
    Ok(added)
}

async fn enqueue_raised(conn: &mut PgConnection, transition_ids: &[i64]) -> sqlx::Result<u64> {
    let done = sqlx::query!(
        "insert into notification (transition_id, recipient_id, way)
         select t.id, r.id, w.way
         from alarm_transition t
         join alarm a on a.id = t.alarm_id
         join recipient r on r.disabled_at is null and a.priority >= r.least_priority
         cross join lateral (values ('email', r.email), ('webhook', r.webhook_url)) as w (way, address)
         where t.id = any($1) and w.address is not null
           and (r.area_kind = 'fleet' or exists (
               select from regulator g
               join bank b on b.id = g.bank_id
               join site s on s.id = b.site_id
               join feeder f on f.id = s.feeder_id
               where (g.id = a.regulator_id or (g.endpoint_id = a.endpoint_id and g.retired_at is null))
                 and case r.area_kind when 'feeder' then f.id else f.substation_id end = r.area_id))
         on conflict (transition_id, recipient_id, way) do nothing",
        transition_ids
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}

async fn enqueue_returned(conn: &mut PgConnection, transition_ids: &[i64]) -> sqlx::Result<u64> {
    let done = sqlx::query!(
        "insert into notification (transition_id, recipient_id, way)
         select t.id, n.recipient_id, n.way
         from alarm_transition t
         join alarm_transition raised on raised.alarm_id = t.alarm_id and raised.kind = 'raised'
         join notification n on n.transition_id = raised.id
         join recipient r on r.id = n.recipient_id
         where t.id = any($1) and t.kind = 'returned' and r.disabled_at is null
           and case n.way when 'email' then r.email else r.webhook_url end is not null
         on conflict (transition_id, recipient_id, way) do nothing",
        transition_ids
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}

/// What is due by `now`.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn tick(_conn: &mut PgConnection, _now: regulator::Timestamp) -> sqlx::Result<()> {
    Ok(())
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
    tell(conn, &Recorded { announced, ended, ..Recorded::default() }).await
}

#[cfg(test)]
pub(crate) async fn enqueue(conn: &mut PgConnection, step: i64) -> sqlx::Result<u64> {
    enqueue_all(conn, &[step]).await
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notification::testing::Story;

    #[tokio::test]
    async fn each_recipient_hears_of_its_own_area_from_its_own_priority_up() {
        let story = Story::new().await;
        let fleet = story.email_recipient("fleet", "fleet", None, 1).await;
        let feeder = story.email_recipient("feeder", "feeder", Some(story.feeder), 1).await;
        let substation = story.email_recipient("substation", "substation", Some(story.substation), 1).await;
        story.email_recipient("another feeder", "feeder", Some(story.other_feeder), 1).await;
        // an area id of another kind with the same number must not match
        story.email_recipient("no such substation", "substation", Some(story.feeder), 1).await;
        story.email_recipient("only critical", "fleet", None, 4).await;
        let alarm = story.alarm_of_regulator("reverse_power", 3).await;
        let raised = story.transition(alarm, "raised").await;
        let mut conn = story.pool().acquire().await.unwrap();
        assert_eq!(enqueue(&mut conn, raised).await.unwrap(), 3);
        assert_eq!(story.recipients_of(raised).await, [fleet, feeder, substation]);
        assert_eq!(enqueue(&mut conn, raised).await.unwrap(), 0, "a second call adds nothing");
    }

    #[tokio::test]
    async fn an_endpoints_alarm_lies_in_every_area_it_serves_and_a_pollers_in_the_fleet() {
        let story = Story::new().await;
        let fleet = story.email_recipient("fleet", "fleet", None, 1).await;
        let near = story.email_recipient("near", "feeder", Some(story.feeder), 1).await;
        let far = story.email_recipient("far", "feeder", Some(story.other_feeder), 1).await;
        let endpoint = story.transition(story.alarm_of_endpoint().await, "raised").await;
        let poller = story.transition(story.alarm_of_poller().await, "raised").await;
        let mut conn = story.pool().acquire().await.unwrap();
        assert_eq!(enqueue_all(&mut conn, &[endpoint, poller]).await.unwrap(), 4);
        assert_eq!(story.recipients_of(endpoint).await, [fleet, near, far]);
        assert_eq!(story.recipients_of(poller).await, [fleet]);
    }

    #[tokio::test]
    async fn the_return_goes_to_those_who_heard_of_the_raise_and_an_acknowledgement_to_nobody() {
        let story = Story::new().await;
        let early = story.email_recipient("early", "fleet", None, 1).await;
        let alarm = story.alarm_of_regulator("reverse_power", 3).await;
        let raised = story.transition(alarm, "raised").await;
        let mut conn = story.pool().acquire().await.unwrap();
        enqueue(&mut conn, raised).await.unwrap();
        story.email_recipient("late", "fleet", None, 1).await;
        let acknowledged = story.transition(alarm, "acknowledged").await;
        let returned = story.transition(alarm, "returned").await;
        assert_eq!(enqueue_all(&mut conn, &[acknowledged, returned]).await.unwrap(), 1);
        assert_eq!(story.recipients_of(returned).await, [early]);
    }

    #[tokio::test]
    async fn both_ways_of_one_recipient_are_used_even_when_raise_and_return_come_together() {
        let story = Story::new().await;
        let both = story.webhook_recipient("both", "http://127.0.0.1:9/", "whsec_c2VjcmV0").await;
        sqlx::query("update recipient set email = 'both@example.org' where id = $1")
            .bind(both)
            .execute(story.pool())
            .await
            .unwrap();
        let alarm = story.alarm_of_regulator("reverse_power", 3).await;
        let raised = story.transition(alarm, "raised").await;
        let returned = story.transition(alarm, "returned").await;
        let mut conn = story.pool().acquire().await.unwrap();
        assert_eq!(enqueue_all(&mut conn, &[returned, raised]).await.unwrap(), 4);
    }

    #[tokio::test]
    async fn nothing_is_enqueued_when_the_callers_transaction_fails() {
        let story = Story::new().await;
        story.email_recipient("fleet", "fleet", None, 1).await;
        let alarm = story.alarm_of_regulator("reverse_power", 3).await;
        let raised = story.transition(alarm, "raised").await;
        let mut tx = story.pool().begin().await.unwrap();
        assert_eq!(enqueue(&mut tx, raised).await.unwrap(), 1);
        tx.rollback().await.unwrap();
        assert!(story.recipients_of(raised).await.is_empty());
    }
}
