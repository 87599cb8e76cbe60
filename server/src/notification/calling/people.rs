//! Who can be reached, and who is told when nobody on call can be.

use std::collections::HashMap;

use oncall::rota::PersonId;
use sqlx::PgConnection;

/// The recipients by which people are reached.
pub(super) struct People {
    recipients: HashMap<PersonId, i32>,
}

impl People {
    /// Everybody who has a way and has not been disabled.
    pub(super) async fn load(conn: &mut PgConnection) -> sqlx::Result<Self> {
        let rows = sqlx::query!(
            r#"select r.id, r.person_id as "person_id!" from recipient r join person p on p.id = r.person_id
               where r.disabled_at is null and p.disabled_at is null
                 and num_nonnulls(r.email, r.webhook_url, r.text_email, r.text_url) > 0"#
        )
        .fetch_all(conn)
        .await?;
        Ok(Self { recipients: rows.into_iter().map(|row| (PersonId(row.person_id), row.id)).collect() })
    }

    pub(super) fn reachable(&self, person: PersonId) -> bool {
        self.recipients.contains_key(&person)
    }

    pub(super) fn recipient(&self, person: PersonId) -> Option<i32> {
        self.recipients.get(&person).copied()
    }
}

/// A standing recipient of an alarm's place.
pub(super) struct Standing {
    pub(super) recipient_id: i32,
    /// Whether it wants to hear of this priority.
    pub(super) wants: bool,
}

/// The standing recipients whose area covers an alarm.
pub(super) async fn standing(conn: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<Standing>> {
    sqlx::query_as!(
        Standing,
        r#"select r.id as recipient_id, a.priority >= r.least_priority as "wants!"
           from alarm a join recipient r on r.standing and r.disabled_at is null
           left join person p on p.id = r.person_id
           where a.id = $1 and p.disabled_at is null and num_nonnulls(r.email, r.webhook_url, r.text_email, r.text_url) > 0
             and (r.area_kind = 'fleet' or exists (
                 select from alarm_area v where v.alarm_id = a.id
                   and case r.area_kind when 'feeder' then v.feeder_id else v.substation_id end = r.area_id))
           order by r.id"#,
        alarm_id
    )
    .fetch_all(conn)
    .await
}

/// Every administrator, by the address they sign in with where they have no other way.
pub(super) async fn administrators(conn: &mut PgConnection) -> sqlx::Result<Vec<i32>> {
    sqlx::query!(
        "insert into recipient (name, email, area_kind, least_priority, person_id, standing)
         select p.name, p.email, 'fleet', 1, p.id, false from person p
         where p.role = 'administer' and p.disabled_at is null and p.email like '%_@_%'
         on conflict (person_id) do update set email = excluded.email
         where num_nonnulls(recipient.email, recipient.webhook_url, recipient.text_email, recipient.text_url) = 0"
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query_scalar!(
        "select r.id from recipient r join person p on p.id = r.person_id
         where p.role = 'administer' and p.disabled_at is null and r.disabled_at is null
           and num_nonnulls(r.email, r.webhook_url, r.text_email, r.text_url) > 0
         order by r.id"
    )
    .fetch_all(conn)
    .await
}
