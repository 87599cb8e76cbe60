//! A person's own recipient: made when they first save something.

use chrono::{DateTime, Utc};
use oncall::quiet::QuietHours;
use regulator::conditions::Priority;
use sqlx::PgConnection;

use super::form::Wanted;
use crate::pages::recipients::{NewSecrets, TypedWays, value};

/// A person.
pub(super) struct Person {
    pub(super) id: i32,
    pub(super) name: String,
    pub(super) email: String,
}

pub(super) async fn person(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Person>> {
    sqlx::query_as!(Person, "select id, name, email from person where id = $1", id).fetch_optional(db).await
}

/// What is stored of how they are reached.
pub(super) struct Stored {
    /// The recipient's row.
    pub(super) id: i32,
    pub(super) ways: TypedWays,
    pub(super) has_secret: bool,
    pub(super) has_text_secret: bool,
    pub(super) old_until: Option<DateTime<Utc>>,
    pub(super) standing: bool,
    pub(super) area: String,
    pub(super) least: Priority,
    pub(super) quiet: Option<QuietHours>,
    pub(super) has_calendar: bool,
}

pub(super) async fn find(db: &mut PgConnection, person_id: i32) -> sqlx::Result<Option<Stored>> {
    let row = sqlx::query!(
        r#"select id, email, webhook_url, text_email, text_url, text_number, standing, area_kind, area_id, least_priority, quiet,
             webhook_secret is not null as "has_secret!", text_secret is not null as "has_text_secret!",
             case when webhook_secret_old_until > now() then webhook_secret_old_until end as old_until,
             calendar_token_hash is not null as "has_calendar!"
           from recipient where person_id = $1"#,
        person_id
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| Stored {
        id: row.id,
        ways: TypedWays {
            email: row.email.unwrap_or_default(),
            webhook_url: row.webhook_url.unwrap_or_default(),
            text_email: row.text_email.unwrap_or_default(),
            text_url: row.text_url.unwrap_or_default(),
            text_number: row.text_number.unwrap_or_default(),
        },
        has_secret: row.has_secret,
        has_text_secret: row.has_text_secret,
        old_until: row.old_until,
        standing: row.standing,
        area: value(&row.area_kind, row.area_id),
        least: Priority::from_level(row.least_priority).unwrap_or(Priority::High),
        quiet: row.quiet.and_then(|quiet| serde_json::from_value(quiet).ok()),
        has_calendar: row.has_calendar,
    }))
}

/// Secrets stay while their receivers do.
pub(super) async fn save(
    db: &mut PgConnection,
    person: &Person,
    wanted: &Wanted,
    secrets: &NewSecrets,
) -> sqlx::Result<()> {
    let Wanted { ways, standing, told, quiet } = wanted;
    let quiet =
        quiet.as_ref().map(serde_json::to_value).transpose().map_err(|e| sqlx::Error::Encode(Box::new(e)))?;
    sqlx::query!(
        "insert into recipient (person_id, name, email, webhook_url, webhook_secret, text_email, text_url, text_number, text_secret,
             standing, area_kind, area_id, least_priority, quiet)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
         on conflict (person_id) do update set email = $3, webhook_url = $4, text_email = $6, text_url = $7, text_number = $8,
             standing = $10, area_kind = $11, area_id = $12, least_priority = $13, quiet = $14,
             webhook_secret = case when $4::text is not null then coalesce($5, recipient.webhook_secret) end,
             webhook_secret_old = case when $4 is not null and $5::text is null then recipient.webhook_secret_old end,
             webhook_secret_old_until = case when $4 is not null and $5 is null then recipient.webhook_secret_old_until end,
             text_secret = case when $7::text is not null then coalesce($9, recipient.text_secret) end",
        person.id,
        person.name,
        ways.email,
        ways.webhook_url,
        secrets.webhook,
        ways.text_email,
        ways.text_url,
        ways.text_number,
        secrets.text,
        standing,
        told.area_kind,
        told.area_id,
        told.least.level(),
        quiet,
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Gives the calendar another address; the one before it ends.
pub(super) async fn set_calendar(
    db: &mut PgConnection,
    person: &Person,
    hash: &[u8; 32],
) -> sqlx::Result<()> {
    sqlx::query!(
        "insert into recipient (person_id, name, standing, area_kind, calendar_token_hash) values ($1, $2, false, 'fleet', $3)
         on conflict (person_id) do update set calendar_token_hash = $3",
        person.id,
        person.name,
        &hash[..],
    )
    .execute(db)
    .await?;
    Ok(())
}
