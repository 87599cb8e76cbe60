//! Recipients as they are stored.

use regulator::conditions::Priority;
use sqlx::PgConnection;
use web::people::Recipient;

use super::form::{Typed, Wanted};

/// An area whose alarms a recipient can get.
#[derive(Debug)]
pub(super) struct Area {
    pub(super) kind: String,
    pub(super) id: Option<i32>,
    pub(super) name: String,
}

impl Area {
    /// As forms carry it.
    pub(super) fn value(&self) -> String {
        value(&self.kind, self.id)
    }
}

fn value(kind: &str, id: Option<i32>) -> String {
    id.map_or_else(|| kind.to_owned(), |id| format!("{kind}:{id}"))
}

/// Every area, widest first.
pub(super) async fn areas(db: &mut PgConnection) -> sqlx::Result<Vec<Area>> {
    sqlx::query_as!(
        Area,
        r#"select kind as "kind!", id, name as "name!" from (
             select 1 as width, 'fleet' as kind, null::integer as id, 'Whole fleet' as name
             union all select 2, 'substation', id, 'Substation ' || name from substation
             union all select 3, 'feeder', f.id, u.name || ' › ' || f.name
                 from feeder f join substation u on u.id = f.substation_id) a
           order by width, name, id"#
    )
    .fetch_all(db)
    .await
}

/// Every recipient, those that are disabled last.
pub(super) async fn list(db: &mut PgConnection) -> sqlx::Result<Vec<Recipient>> {
    let areas = areas(db).await?;
    let rows = sqlx::query!(
        "select id, name, email, webhook_url, area_kind, area_id, least_priority, disabled_at from recipient
         order by disabled_at is not null, lower(name), id"
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let area = value(&row.area_kind, row.area_id);
            Recipient {
                id: row.id,
                name: row.name,
                ways: row.email.into_iter().chain(row.webhook_url).collect(),
                area: areas.iter().find(|a| a.value() == area).map_or(area, |a| a.name.clone()),
                least: Priority::from_level(row.least_priority).unwrap_or(Priority::Low).title(),
                disabled_at: row.disabled_at,
            }
        })
        .collect())
}

/// One recipient, without its secret.
#[derive(Debug)]
pub(super) struct Stored {
    name: String,
    email: Option<String>,
    webhook_url: Option<String>,
    area_kind: String,
    area_id: Option<i32>,
    least_priority: i16,
    pub(super) has_secret: bool,
    pub(super) disabled: bool,
}

impl Stored {
    /// As the form shows it.
    pub(super) fn typed(self) -> Typed {
        Typed {
            area: value(&self.area_kind, self.area_id),
            least_priority: Priority::from_level(self.least_priority)
                .unwrap_or(Priority::Low)
                .title()
                .to_owned(),
            name: self.name,
            email: self.email.unwrap_or_default(),
            webhook_url: self.webhook_url.unwrap_or_default(),
        }
    }
}

pub(super) async fn find(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Stored>> {
    sqlx::query_as!(
        Stored,
        r#"select name, email, webhook_url, area_kind, area_id, least_priority,
                webhook_secret is not null as "has_secret!", disabled_at is not null as "disabled!"
           from recipient where id = $1"#,
        id
    )
    .fetch_optional(db)
    .await
}

pub(super) async fn add(db: &mut PgConnection, wanted: &Wanted, secret: Option<&str>) -> sqlx::Result<i32> {
    sqlx::query_scalar!(
        "insert into recipient (name, email, webhook_url, webhook_secret, area_kind, area_id, least_priority)
         values ($1, $2, $3, $4, $5, $6, $7) returning id",
        wanted.name,
        wanted.email,
        wanted.webhook_url,
        secret,
        wanted.area_kind,
        wanted.area_id,
        wanted.least.level(),
    )
    .fetch_one(db)
    .await
}

/// The secret stays while there is a webhook.
pub(super) async fn change(db: &mut PgConnection, id: i32, wanted: &Wanted) -> sqlx::Result<()> {
    sqlx::query!(
        "update recipient set name = $2, email = $3, webhook_url = $4, area_kind = $5, area_id = $6, least_priority = $7,
             webhook_secret = case when $4::text is not null then webhook_secret end
         where id = $1",
        id,
        wanted.name,
        wanted.email,
        wanted.webhook_url,
        wanted.area_kind,
        wanted.area_id,
        wanted.least.level(),
    )
    .execute(db)
    .await?;
    Ok(())
}

pub(super) async fn set_secret(db: &mut PgConnection, id: i32, secret: &str) -> sqlx::Result<()> {
    sqlx::query!("update recipient set webhook_secret = $2 where id = $1", id, secret).execute(db).await?;
    Ok(())
}

/// Whether there is such a recipient.
pub(super) async fn set_disabled(db: &mut PgConnection, id: i32, yes: bool) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "update recipient set disabled_at = case when $2 then coalesce(disabled_at, now()) end where id = $1",
        id,
        yes
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
