//! Which alarms a list shows, and in which order: their numbers alone. Whatever it is narrowed to, no list reads through the past.
//!
//! How things stand now (open, returned, held) is read from the present states, which are few. What was is read newest first: among
//! the latest alarms, where there are enough of them; otherwise from an index on condition and priority, or, where places are
//! named, from the latest of each alarm there. Only the alarms of a page are then read whole.
//!
//! Some conditions are said twice (`condition || '' = c`). Postgres knows nothing of the second and so expects few alarms: it takes the
//! index meant, where otherwise it would go through all by time for one that never was.

use chrono::{Days, NaiveDate, NaiveTime};
use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};
use sqlx::PgConnection;
use web::alarms::{Filter, Show};

use crate::pages::alarm_places::Sought;

/// Alarms looked through before an index is asked.
const LATEST: i64 = 3000;

/// The start of the first day, and of the day after the last; far away where none is given.
fn bounds(filter: &Filter) -> (Timestamp, Timestamp) {
    let start = |day: NaiveDate| day.and_time(NaiveTime::MIN).and_utc();
    let year = |year| NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or_default();
    let after = |day: NaiveDate| day.checked_add_days(Days::new(1));
    let (from, to) = (filter.from.unwrap_or(year(1)), filter.to.and_then(after).unwrap_or(year(9999)));
    (start(from), start(to))
}

/// The numbers of up to `limit` alarms.
pub(in crate::pages) async fn alarms(
    db: &mut PgConnection,
    filter: &Filter,
    limit: i64,
) -> sqlx::Result<Vec<i64>> {
    let sought =
        Sought { text: &filter.place, substation: filter.substation, site: filter.site, ..Sought::default() };
    let places = sought.keys(db).await?;
    if places.as_ref().is_some_and(Vec::is_empty) {
        return Ok(vec![]);
    }
    let find = Find { filter, places, bounds: bounds(filter), limit };
    match filter.show {
        Show::Open | Show::Unacknowledged | Show::Acknowledged => find.open(db).await,
        Show::ReturnedUnacknowledged | Show::Shelved | Show::Suppressed | Show::OutOfService => {
            find.standing(db).await
        }
        Show::Past | Show::All => find.history(db).await,
    }
}

struct Find<'a> {
    filter: &'a Filter,
    places: Option<Vec<String>>,
    bounds: (Timestamp, Timestamp),
    limit: i64,
}

impl Find<'_> {
    fn condition(&self) -> Option<&'static str> {
        self.filter.condition.map(Condition::name)
    }

    /// The one asked for, or every one.
    fn conditions(&self) -> Vec<String> {
        let wanted = |c: &Condition| self.filter.condition.is_none_or(|wanted| wanted == *c);
        Condition::all().filter(wanted).map(|c| c.name().to_owned()).collect()
    }

    fn priority(&self) -> Option<i16> {
        self.filter.priority.map(Priority::level)
    }

    /// What is true and not held, most urgent first.
    async fn open(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let acknowledged = match self.filter.show {
            Show::Unacknowledged => Some(false),
            Show::Acknowledged => Some(true),
            _ => None,
        };
        let after = self.filter.after;
        sqlx::query_scalar!(
            "select a.id from alarm a left join alarm_point p on p.id = a.point_id
             where a.returned_at is null and not coalesce(p.held, false)
               and ($1::boolean is null or (a.acknowledged_at is not null) = $1)
               and ($2::text is null or a.condition = $2)
               and ($3::smallint is null or a.priority = $3)
               and ($4::text[] is null or a.place_key = any($4))
               and a.raised_at >= $5 and a.raised_at < $6
               and ($7::boolean is null or (a.acknowledged_at is not null) > $7
                    or ((a.acknowledged_at is not null) = $7 and (a.priority, a.raised_at, a.id) < ($8, $9, $10)))
             order by (a.acknowledged_at is not null), a.priority desc, a.raised_at desc, a.id desc
             limit $11",
            acknowledged,
            self.condition(),
            self.priority(),
            self.places.as_deref(),
            self.bounds.0,
            self.bounds.1,
            after.map(|p| p.acknowledged),
            after.map(|p| p.level),
            after.map(|p| p.raised_at),
            after.map(|p| p.id),
            self.limit,
        )
        .fetch_all(db)
        .await
    }

    /// What returned and is unacknowledged, or what is held, whether or not it is true: the latest alarm of each.
    async fn standing(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let after = self.filter.after;
        sqlx::query_scalar!(
            "select a.id from alarm_point p join alarm a on a.id = p.alarm_id
             where case $1 when 'returned' then p.process = 'returned' and not p.held
                           when 'shelved' then p.held and p.shelved_until is not null
                           when 'suppressed' then p.held and num_nonnulls(p.silent_why, p.maintenance_why) > 0
                           else p.held and p.out_of_service_at is not null end
               and (p.held or $1 = 'returned')
               and ($2::text is null or a.condition = $2)
               and ($3::smallint is null or a.priority = $3)
               and ($4::text[] is null or a.place_key = any($4))
               and a.raised_at >= $5 and a.raised_at < $6
               and ($7::smallint is null or (a.priority, a.raised_at, a.id) < ($7, $8, $9))
             order by a.priority desc, a.raised_at desc, a.id desc
             limit $10",
            self.filter.show.key(),
            self.condition(),
            self.priority(),
            self.places.as_deref(),
            self.bounds.0,
            self.bounds.1,
            after.map(|p| p.level),
            after.map(|p| p.raised_at),
            after.map(|p| p.id),
            self.limit,
        )
        .fetch_all(db)
        .await
    }

    /// Newest first.
    async fn history(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let latest = self.among_the_latest(db).await?;
        let enough = i64::try_from(latest.len()).is_ok_and(|n| n == self.limit);
        if enough || !self.are_there_more(db).await? {
            return Ok(latest);
        }
        if self.places.is_some() { self.of_places(db).await } else { self.of_kinds(db).await }
    }

    fn only_past(&self) -> bool {
        self.filter.show == Show::Past
    }

    /// Where the page begins: everything older than this.
    fn before(&self) -> (Timestamp, i64) {
        self.filter.after.map_or((self.bounds.1, 0), |p| (p.raised_at, p.id))
    }

    async fn among_the_latest(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let (at, id) = self.before();
        sqlx::query_scalar!(
            "select id from (
               select id, condition, priority, place_key, raised_at, returned_at from alarm
               where raised_at >= $1 and raised_at < $2 and (raised_at, id) < ($3, $4)
               order by raised_at desc, id desc limit $5) latest
             where (not $6 or returned_at is not null)
               and ($7::text is null or condition = $7)
               and ($8::smallint is null or priority = $8)
               and ($9::text[] is null or place_key = any($9))
             order by raised_at desc, id desc limit $10",
            self.bounds.0,
            self.bounds.1,
            at,
            id,
            LATEST,
            self.only_past(),
            self.condition(),
            self.priority(),
            self.places.as_deref(),
            self.limit,
        )
        .fetch_all(db)
        .await
    }

    /// Whether there are older alarms than the latest.
    async fn are_there_more(&self, db: &mut PgConnection) -> sqlx::Result<bool> {
        let (at, id) = self.before();
        let beyond = sqlx::query_scalar!(
            "select id from alarm where raised_at >= $1 and raised_at < $2 and (raised_at, id) < ($3, $4)
             order by raised_at desc, id desc offset $5 limit 1",
            self.bounds.0,
            self.bounds.1,
            at,
            id,
            LATEST,
        )
        .fetch_optional(db)
        .await?;
        Ok(beyond.is_some())
    }

    /// Of each condition and priority the newest, and of these the newest.
    async fn of_kinds(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let (at, id) = self.before();
        let priorities: Vec<i16> = match self.filter.priority {
            Some(priority) => vec![priority.level()],
            None => Priority::ALL.iter().map(|p| p.level()).collect(),
        };
        sqlx::query_scalar!(
            "select a.id from unnest($1::text[]) c cross join unnest($2::smallint[]) p
             cross join lateral (
               select id, raised_at from alarm
               where condition = c and priority = p and condition || '' = c and priority + 0 = p
                 and (not $3 or returned_at is not null) and raised_at >= $4 and raised_at < $5 and (raised_at, id) < ($6, $7)
               order by raised_at desc, id desc limit $8) a
             order by a.raised_at desc, a.id desc limit $8",
            &self.conditions(),
            &priorities,
            self.only_past(),
            self.bounds.0,
            self.bounds.1,
            at,
            id,
            self.limit,
        )
        .fetch_all(db)
        .await
    }

    /// Of each alarm of these places the newest; only those whose newest are newest can be on the page, so only these are read further.
    async fn of_places(&self, db: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let (at, id) = self.before();
        sqlx::query_scalar!(
            "with kind as materialized (
               select c from unnest($10::text[]) c
               where $3::smallint is null
                  or (select true from alarm a where a.condition = c and a.priority = $3 and a.condition || '' = c limit 1)),
             point as materialized (
               select p.id from alarm_point p where p.place_key = any($1) and p.condition in (select c from kind)
                 and ($2::text is null or p.condition = $2)),
             newest as materialized (
               select point.id, a.raised_at, a.id as alarm_id from point cross join lateral (
                 select raised_at, id from alarm
                 where point_id = point.id and (not $4 or returned_at is not null) and ($3::smallint is null or priority = $3)
                   and raised_at >= $5 and raised_at < $6 and (raised_at, id) < ($7, $8)
                 order by raised_at desc, id desc limit 1) a
               order by a.raised_at desc, a.id desc limit $9)
             select a.id from newest cross join lateral (
               select id, raised_at from alarm
               where point_id = newest.id and (not $4 or returned_at is not null) and ($3::smallint is null or priority = $3)
                 and raised_at >= $5 and raised_at < $6 and (raised_at, id) < ($7, $8)
               order by raised_at desc, id desc limit $9) a
             order by a.raised_at desc, a.id desc limit $9",
            self.places.as_deref(),
            self.condition(),
            self.priority(),
            self.only_past(),
            self.bounds.0,
            self.bounds.1,
            at,
            id,
            self.limit,
            &self.conditions(),
        )
        .fetch_all(db)
        .await
    }
}
