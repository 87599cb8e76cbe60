//! Maintenance windows as they are stored.

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::Timestamp;
use sqlx::PgConnection;
use web::windows::Window;

use super::form::Wanted;
use crate::pages::alarm_places::Sought;

/// Past ones shown.
const PAST: i64 = 50;

struct Stored {
    id: i32,
    scope_kind: String,
    scope_id: i32,
    place: Option<String>,
    zone: Option<String>,
    from_at: Timestamp,
    to_at: Timestamp,
    reason: String,
    person: String,
    created_at: Timestamp,
    ended_at: Option<Timestamp>,
    ended_by: Option<String>,
}

impl Stored {
    fn window(self) -> Window {
        let (kind, id) = (self.scope_kind, self.scope_id);
        Window {
            id: self.id,
            place: self.place.unwrap_or_else(|| format!("{kind} {id}, no longer in the inventory")),
            href: match kind.as_str() {
                "site" => Some(format!("/site/{id}")),
                "feeder" => Some(format!("/feeder/{id}")),
                "regulator" => Some(format!("/regulator/{id}/audit")),
                _ => Some(format!("/?substation={id}&view=place")),
            },
            from: self.from_at,
            to: self.to_at,
            reason: self.reason,
            person: self.person,
            created_at: self.created_at,
            ended: self.ended_at.map(|at| (at, self.ended_by.unwrap_or_default())),
            zone: self.zone.and_then(|zone| zone.parse().ok()).unwrap_or(Tz::UTC),
        }
    }
}

/// Those that end after `$1` or are `$2`, at most `$3`: open and planned ones by their beginning, then past ones, newest first.
async fn read(
    db: &mut PgConnection,
    one: Option<i32>,
    begins_before: Option<Timestamp>,
    past: i64,
) -> sqlx::Result<Vec<Window>> {
    let rows = sqlx::query_as!(
        Stored,
        r#"select w.id as "id!", w.scope_kind as "scope_kind!", w.scope_id as "scope_id!",
                coalesce(p.name, u.name) as place,
                (select s.time_zone from site s join feeder f on f.id = s.feeder_id
                 where case w.scope_kind when 'substation' then f.substation_id = w.scope_id when 'feeder' then f.id = w.scope_id
                           when 'site' then s.id = w.scope_id
                           else s.id = (select b.site_id from regulator r join bank b on b.id = r.bank_id where r.id = w.scope_id) end
                 group by s.time_zone order by count(*) desc, s.time_zone limit 1) as zone,
                w.from_at as "from_at!", w.to_at as "to_at!", w.reason as "reason!", w.person as "person!",
                w.created_at as "created_at!", w.ended_at, w.ended_by
           from (
             (select * from maintenance_window where $1::integer is null and coalesce(ended_at, to_at) > clock_timestamp()
                and ($2::timestamptz is null or from_at < $2))
             union all
             (select * from maintenance_window where $1::integer is null and coalesce(ended_at, to_at) <= clock_timestamp()
                order by to_at desc, id desc limit $3)
             union all
             (select * from maintenance_window where id = $1)) w
           left join threshold_place p on p.kind = w.scope_kind and p.id = w.scope_id
           left join substation u on w.scope_kind = 'substation' and u.id = w.scope_id
           order by coalesce(w.ended_at, w.to_at) <= clock_timestamp(),
               case when coalesce(w.ended_at, w.to_at) > clock_timestamp() then w.from_at end, w.to_at desc, w.id desc"#,
        one,
        begins_before,
        past
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(Stored::window).collect())
}

/// Every open and planned one, and the latest past ones.
pub(super) async fn all(db: &mut PgConnection) -> sqlx::Result<Vec<Window>> {
    read(db, None, None, PAST).await
}

/// Those that are open or begin within a day.
pub(in crate::pages) async fn soon(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Window>> {
    read(db, None, Some(now + TimeDelta::hours(24)), 0).await
}

pub(super) async fn one(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Window>> {
    Ok(read(db, Some(id), None, 0).await?.pop())
}

pub(super) async fn plan(db: &mut PgConnection, wanted: &Wanted, person: &str) -> sqlx::Result<i32> {
    sqlx::query_scalar!(
        "insert into maintenance_window (scope_kind, scope_id, from_at, to_at, reason, person) values ($1, $2, $3, $4, $5, $6)
         returning id",
        wanted.place.kind,
        wanted.place.id,
        wanted.from,
        wanted.to,
        wanted.reason,
        person,
    )
    .fetch_one(db)
    .await
}

/// Ends it now, or calls it off; whether there was anything to end. The clock of the alarms does the rest.
pub(super) async fn end(db: &mut PgConnection, id: i32, person: &str) -> sqlx::Result<Option<bool>> {
    let ended = sqlx::query!(
        "update maintenance_window set ended_at = clock_timestamp(), ended_by = $2
         where id = $1 and ended_at is null and to_at > clock_timestamp()",
        id,
        person
    )
    .execute(&mut *db)
    .await?;
    if ended.rows_affected() == 1 {
        return Ok(Some(true));
    }
    let there =
        sqlx::query_scalar!("select id from maintenance_window where id = $1", id).fetch_optional(db).await?;
    Ok(there.map(|_| false))
}

/// The alarms of its place that were raised in its time, in order of time.
pub(super) async fn raised_inside(db: &mut PgConnection, id: i32, limit: i64) -> sqlx::Result<Vec<i64>> {
    let Some(window) = sqlx::query!(
        r#"select scope_kind, scope_id, from_at, least(coalesce(ended_at, to_at), to_at) as "to_at!" from maintenance_window where id = $1"#,
        id
    )
    .fetch_optional(&mut *db)
    .await?
    else {
        return Ok(vec![]);
    };
    let of = |kind: &str| (window.scope_kind == kind).then_some(window.scope_id);
    let sought = Sought {
        text: "",
        substation: of("substation"),
        feeder: of("feeder"),
        site: of("site"),
        regulator: of("regulator"),
    };
    let places = sought.keys(db).await?.unwrap_or_default();
    sqlx::query_scalar!(
        "select id from alarm where raised_at >= $1 and raised_at < $2 and place_key = any($3) order by raised_at, id limit $4",
        window.from_at,
        window.to_at,
        &places,
        limit,
    )
    .fetch_all(db)
    .await
}
