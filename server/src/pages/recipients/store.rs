//! Recipients as they are stored.

use chrono::{DateTime, Utc};
use regulator::conditions::Priority;
use sqlx::PgConnection;
use web::people::Recipient;

use super::{
    areas::{areas, value},
    form::{Typed, Wanted},
    ways::{Secrets, TypedWays},
};

/// Every recipient, people's own among them; those that are disabled last.
pub(super) async fn list(db: &mut PgConnection) -> sqlx::Result<Vec<Recipient>> {
    let areas = areas(db).await?;
    let rows = sqlx::query!(
        r#"select r.id, coalesce(p.name, r.name) as "name!", r.person_id, r.standing, r.email, r.webhook_url, r.text_email,
             r.text_number, r.area_kind, r.area_id, r.least_priority, coalesce(r.disabled_at, p.disabled_at) as disabled_at
           from recipient r left join person p on p.id = r.person_id
           order by coalesce(r.disabled_at, p.disabled_at) is not null, lower(coalesce(p.name, r.name)), r.id"#
    )
    .fetch_all(db)
    .await?;
    let recipients = rows.into_iter().map(|row| {
        let area = value(&row.area_kind, row.area_id);
        let texts = row.text_email.into_iter().chain(row.text_number).map(|to| format!("text to {to}"));
        Recipient {
            id: row.id,
            name: row.name,
            person_id: row.person_id,
            standing: row.standing,
            ways: row.email.into_iter().chain(row.webhook_url).chain(texts).collect(),
            area: areas.iter().find(|a| a.value() == area).map_or(area, |a| a.name.clone()),
            least: Priority::from_level(row.least_priority).unwrap_or(Priority::Low).title(),
            disabled_at: row.disabled_at,
        }
    });
    Ok(recipients.collect())
}

/// One recipient, without its secrets.
#[derive(Debug)]
pub(super) struct Stored {
    name: String,
    email: Option<String>,
    webhook_url: Option<String>,
    text_email: Option<String>,
    text_url: Option<String>,
    text_number: Option<String>,
    area_kind: String,
    area_id: Option<i32>,
    least_priority: i16,
    pub(super) has_secret: bool,
    pub(super) has_text_secret: bool,
    pub(super) old_until: Option<DateTime<Utc>>,
    pub(super) disabled: bool,
}

impl Stored {
    /// As the form shows it.
    pub(super) fn typed(self) -> Typed {
        let least = Priority::from_level(self.least_priority).unwrap_or(Priority::Low);
        Typed {
            area: value(&self.area_kind, self.area_id),
            least_priority: least.title().to_owned(),
            name: self.name,
            ways: TypedWays {
                email: self.email.unwrap_or_default(),
                webhook_url: self.webhook_url.unwrap_or_default(),
                text_email: self.text_email.unwrap_or_default(),
                text_url: self.text_url.unwrap_or_default(),
                text_number: self.text_number.unwrap_or_default(),
            },
        }
    }
}

/// A recipient that is no person's.
pub(super) async fn find(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Stored>> {
    sqlx::query_as!(
        Stored,
        r#"select name, email, webhook_url, text_email, text_url, text_number, area_kind, area_id, least_priority,
                webhook_secret is not null as "has_secret!", text_secret is not null as "has_text_secret!",
                case when webhook_secret_old_until > now() then webhook_secret_old_until end as old_until,
                disabled_at is not null as "disabled!"
           from recipient where id = $1 and person_id is null"#,
        id
    )
    .fetch_optional(db)
    .await
}

pub(super) async fn add(db: &mut PgConnection, wanted: &Wanted, secrets: &Secrets) -> sqlx::Result<i32> {
    let Wanted { name, ways, told } = wanted;
    sqlx::query_scalar!(
        "insert into recipient (name, email, webhook_url, webhook_secret, text_email, text_url, text_number, text_secret,
             area_kind, area_id, least_priority)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) returning id",
        name,
        ways.email,
        ways.webhook_url,
        secrets.webhook,
        ways.text_email,
        ways.text_url,
        ways.text_number,
        secrets.text,
        told.area_kind,
        told.area_id,
        told.least.level(),
    )
    .fetch_one(db)
    .await
}

/// A secret stays while its receiver does.
pub(super) async fn change(
    db: &mut PgConnection,
    id: i32,
    wanted: &Wanted,
    secrets: &Secrets,
) -> sqlx::Result<()> {
    let Wanted { name, ways, told } = wanted;
    sqlx::query!(
        "update recipient set name = $2, email = $3, webhook_url = $4, text_email = $5, text_url = $6, text_number = $7,
             area_kind = $8, area_id = $9, least_priority = $10,
             webhook_secret = case when $4::text is not null then coalesce($11, webhook_secret) end,
             webhook_secret_old = case when $4 is not null and $11::text is null then webhook_secret_old end,
             webhook_secret_old_until = case when $4 is not null and $11 is null then webhook_secret_old_until end,
             text_secret = case when $6::text is not null then coalesce($12, text_secret) end
         where id = $1",
        id,
        name,
        ways.email,
        ways.webhook_url,
        ways.text_email,
        ways.text_url,
        ways.text_number,
        told.area_kind,
        told.area_id,
        told.least.level(),
        secrets.webhook,
        secrets.text,
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Gives the webhook another secret; the present one stays good for a day, so that the receiver can be changed in peace.
pub(in crate::pages) async fn renew_secret(
    db: &mut PgConnection,
    id: i32,
    secret: &str,
    now: DateTime<Utc>,
) -> sqlx::Result<()> {
    sqlx::query!(
        "update recipient set webhook_secret_old = webhook_secret, webhook_secret_old_until = $3::timestamptz + interval '24 hours',
             webhook_secret = $2
         where id = $1",
        id,
        secret,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Whether there is such a recipient.
pub(super) async fn set_disabled(db: &mut PgConnection, id: i32, yes: bool) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "update recipient set disabled_at = case when $2 then coalesce(disabled_at, now()) end where id = $1 and person_id is null",
        id,
        yes
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
