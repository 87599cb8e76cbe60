//! Rotas and the record of their changes, written.

use chrono::{DateTime, Utc};
use sqlx::{Acquire, PgConnection};
use web::rotas::Change;

use super::deed::Done;
use crate::{
    on_call::{AreaKind, Kept},
    pages::recipients::Area,
};

/// Changes shown.
const LATEST: i64 = 50;

/// What came of an attempt to write.
pub(super) enum Written {
    /// It is written; the row's number.
    Yes(i32),
    /// Somebody else changed it first.
    Overtaken,
    /// Another rota has the name or the area.
    Taken,
}

/// Who does it, when.
pub(super) struct Hand<'a> {
    pub(super) person: &'a str,
    pub(super) now: DateTime<Utc>,
}

/// A new rota without levels.
pub(super) async fn create(
    db: &mut PgConnection,
    name: &str,
    area: &Area,
    kept: &Kept,
    hand: &Hand<'_>,
) -> sqlx::Result<Written> {
    let mut tx = db.begin().await?;
    let id = sqlx::query_scalar!(
        "insert into rota (name, area_kind, area_id, rota) values ($1, $2, $3, $4) on conflict do nothing returning id",
        name,
        area.kind,
        area.id,
        json(kept)?,
    )
    .fetch_optional(&mut *tx)
    .await?;
    let Some(id) = id else { return Ok(Written::Taken) };
    note(&mut tx, id, hand, &format!("Begun for: {}", area.name)).await?;
    tx.commit().await?;
    Ok(Written::Yes(id))
}

/// Writes a change to the rota that was read with this version.
pub(super) async fn change(
    db: &mut PgConnection,
    id: i32,
    version: i32,
    done: &Done,
    hand: &Hand<'_>,
) -> sqlx::Result<Written> {
    let mut tx = db.begin().await?;
    let written = sqlx::query!(
        "update rota set name = $3, rota = $4, version = version + 1 where id = $1 and version = $2",
        id,
        version,
        done.name,
        json(&done.kept)?,
    )
    .execute(&mut *tx)
    .await;
    match written {
        Ok(written) if written.rows_affected() == 0 => return Ok(Written::Overtaken),
        Ok(_) => {}
        Err(sqlx::Error::Database(error)) if error.is_unique_violation() => return Ok(Written::Taken),
        Err(error) => return Err(error),
    }
    note(&mut tx, id, hand, &done.what).await?;
    tx.commit().await?;
    Ok(Written::Yes(id))
}

/// Takes a rota away with its record. Returns whether it was there in this version.
pub(super) async fn remove(db: &mut PgConnection, id: i32, version: i32) -> sqlx::Result<bool> {
    let done =
        sqlx::query!("delete from rota where id = $1 and version = $2", id, version).execute(db).await?;
    Ok(done.rows_affected() == 1)
}

async fn note(db: &mut PgConnection, id: i32, hand: &Hand<'_>, what: &str) -> sqlx::Result<()> {
    sqlx::query!(
        "insert into rota_change (rota_id, at, person, what) values ($1, $2, $3, $4)",
        id,
        hand.now,
        hand.person,
        what
    )
    .execute(db)
    .await
    .map(drop)
}

/// The latest changes, newest first.
pub(super) async fn changes(db: &mut PgConnection, id: i32) -> sqlx::Result<Vec<Change>> {
    sqlx::query_as!(
        Change,
        "select at, person, what from rota_change where rota_id = $1 order by id desc limit $2",
        id,
        LATEST
    )
    .fetch_all(db)
    .await
}

/// The time zones of the inventory's sites, those of most sites first.
pub(in crate::pages) async fn zones(db: &mut PgConnection) -> sqlx::Result<Vec<String>> {
    sqlx::query_scalar!("select time_zone from site group by time_zone order by count(*) desc, time_zone")
        .fetch_all(db)
        .await
}

/// The kind and number of an area, as [`crate::on_call::Stored`] has them.
pub(super) fn is_of(area: &Area, kind: AreaKind, id: Option<i32>) -> bool {
    area.kind == kind.name() && area.id == id
}

fn json(kept: &Kept) -> sqlx::Result<serde_json::Value> {
    serde_json::to_value(kept).map_err(|e| sqlx::Error::Encode(Box::new(e)))
}
