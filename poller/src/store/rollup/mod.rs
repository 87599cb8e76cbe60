//! Minutes, hours and days of every regulator, kept as readings arrive.
//!
//! [`Rollup`] follows the feed. For each reading that a batch names it computes the reading's minute anew from the readings,
//! the hour from its minutes and the day from its hours, so that late and repeated readings take care of themselves. One
//! transaction holds a pass and the cursor; the cursor's row is locked, so two pollers cannot count the same thing twice.

mod bucket;
mod clock;
mod places;
mod shelf;
mod tables;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use sqlx::{Connection, PgConnection};

use bucket::{Bucket, Sample};
use places::Places;
use shelf::{Parent, Shelf};
use tables::{Stretch, Table};

/// Our name among the followers of the feed.
const FOLLOWER: &str = "rollup";
/// Readings named by the batches that one pass takes, about.
const KEYS_A_PASS: i64 = 60_000;
/// Changed minutes of one regulator that are no further apart are read as one stretch.
const GAP: TimeDelta = TimeDelta::minutes(15);

/// What one pass did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pass {
    /// There was nothing new.
    Idle,
    /// Took this many readings; there may be more.
    Took(usize),
}

/// Keeps the rollups over one connection of its own.
#[derive(Debug)]
pub struct Rollup {
    connection: PgConnection,
    places: Places,
    months: BTreeSet<NaiveDate>,
    hours: Shelf,
    days: Shelf,
    /// The batch up to which the shelves hold what is stored.
    shelved: Option<i64>,
}

impl Rollup {
    /// Takes the connection over: some of its settings are changed.
    ///
    /// # Errors
    /// When the database does not answer or refuses.
    pub async fn new(mut connection: PgConnection) -> sqlx::Result<Self> {
        tables::prepare(&mut connection).await?;
        sqlx::query!(
            "insert into feed_cursor (follower, batch_id) values ($1, 0) on conflict do nothing",
            FOLLOWER
        )
        .execute(&mut connection)
        .await?;
        let (hours, days) = (Shelf::default(), Shelf::default());
        Ok(Self {
            connection,
            places: Places::default(),
            months: BTreeSet::new(),
            hours,
            days,
            shelved: None,
        })
    }

    /// Takes the next batches of the feed into the rollups.
    ///
    /// # Errors
    /// When the database does not answer or refuses: nothing has changed then, and the next pass takes the same batches.
    pub async fn pass(&mut self) -> sqlx::Result<Pass> {
        let expected = self.shelved.take();
        let mut transaction = self.connection.begin().await?;
        let from =
            sqlx::query_scalar!("select batch_id from feed_cursor where follower = $1 for update", FOLLOWER)
                .fetch_one(&mut *transaction)
                .await?;
        if expected != Some(from) {
            (self.hours, self.days) = (Shelf::default(), Shelf::default());
        }
        let Some((to, keys)) = next_keys(&mut transaction, from).await? else {
            transaction.rollback().await?;
            self.shelved = Some(from);
            return Ok(Pass::Idle);
        };
        self.places.refresh(&mut transaction).await?;
        let mut work = Work { connection: &mut transaction, places: &self.places, made: BTreeSet::new() };
        let minutes = work.minutes(&keys).await?;
        work.make_months(&minutes, &self.months).await?;
        let hours = work.climb(Level::HOURS, minutes, &mut self.hours).await?;
        let days = work.climb(Level::DAYS, hours, &mut self.days).await?;
        tables::put(work.connection, Table::Day, &days).await?;
        let made = work.made;
        sqlx::query!(
            "update feed_cursor set batch_id = $2, moved_at = clock_timestamp() where follower = $1",
            FOLLOWER,
            to
        )
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        self.months.extend(made);
        self.hours.tidy();
        self.days.tidy();
        self.shelved = Some(to);
        Ok(Pass::Took(keys.len()))
    }
}

/// The keys that the next batches after `from` name, sorted, and the last of those batches.
async fn next_keys(connection: &mut PgConnection, from: i64) -> sqlx::Result<Option<(i64, Vec<Parent>)>> {
    let to = sqlx::query_scalar!(
        r#"select max(id) from (
               select id, sum(pg_column_size(regulator_ids)) over (order by id) - pg_column_size(regulator_ids) as before
               from (select * from reading_batch where id > $1 order by id limit 1000) b) c
           where before < 4 * $2::bigint"#,
        from,
        KEYS_A_PASS
    )
    .fetch_one(&mut *connection)
    .await?;
    let Some(to) = to else { return Ok(None) };
    let batches = sqlx::query!(
        "select regulator_ids, measured_at from reading_batch where id > $1 and id <= $2 order by id",
        from,
        to
    )
    .fetch_all(connection)
    .await?;
    let mut keys: Vec<Parent> =
        batches.into_iter().flat_map(|b| b.regulator_ids.into_iter().zip(b.measured_at)).collect();
    keys.sort_unstable();
    Ok(Some((to, keys)))
}

/// How children find their parent.
#[derive(Clone, Copy)]
struct Level {
    children: Table,
    parent: fn(DateTime<Utc>, chrono_tz::Tz) -> DateTime<Utc>,
    reach: (TimeDelta, TimeDelta),
}

impl Level {
    const HOURS: Self = Self {
        children: Table::Minute,
        parent: clock::hour,
        reach: (TimeDelta::zero(), TimeDelta::hours(1)),
    };
    /// A day has up to 25 hours, and where clocks go back over midnight one of them lies before its start.
    const DAYS: Self = Self {
        children: Table::Hour,
        parent: clock::day,
        reach: (TimeDelta::hours(2), TimeDelta::hours(26)),
    };
}

/// One pass at work.
struct Work<'a> {
    connection: &'a mut PgConnection,
    places: &'a Places,
    made: BTreeSet<NaiveDate>,
}

impl Work<'_> {
    /// The minutes of these keys, computed from the readings.
    async fn minutes(&mut self, keys: &[Parent]) -> sqlx::Result<Vec<(i32, Bucket)>> {
        let mut changed: Vec<Parent> = keys.iter().map(|(id, at)| (*id, clock::minute(*at))).collect();
        changed.dedup();
        let samples = tables::samples(self.connection, &stretches(&changed)).await?;
        let mut minutes: Vec<(i32, Bucket)> = Vec::with_capacity(changed.len());
        let mut wanted = changed.iter().peekable();
        for sample in &samples {
            let key = (sample.regulator_id, clock::minute(sample.measured_at));
            while wanted.next_if(|want| **want < key).is_some() {}
            if wanted.peek().is_some_and(|want| **want == key) {
                self.add(&mut minutes, key, sample);
            }
        }
        Ok(minutes)
    }

    fn add(&self, minutes: &mut Vec<(i32, Bucket)>, (regulator_id, minute): Parent, sample: &Sample) {
        let of = |m: &&mut (i32, Bucket)| (m.0, m.1.start) == (regulator_id, minute);
        if minutes.last_mut().filter(of).is_none() {
            minutes.push((regulator_id, Bucket::empty(minute)));
        }
        if let Some((_, bucket)) = minutes.last_mut() {
            bucket.absorb(&Bucket::of(sample), self.places.modulus(regulator_id));
        }
    }

    async fn make_months(
        &mut self,
        minutes: &[(i32, Bucket)],
        known: &BTreeSet<NaiveDate>,
    ) -> sqlx::Result<()> {
        let month = |b: &Bucket| b.start.date_naive().with_day(1).unwrap_or_default();
        let months: BTreeSet<NaiveDate> = minutes.iter().map(|(_, bucket)| month(bucket)).collect();
        for month in months {
            if !known.contains(&month) {
                sqlx::query!("select make_rollup_partitions($1, $1)", month)
                    .fetch_one(&mut *self.connection)
                    .await?;
                self.made.insert(month);
            }
        }
        Ok(())
    }

    /// Writes the changed children and returns their parents, computed anew.
    async fn climb(
        &mut self,
        level: Level,
        changed: Vec<(i32, Bucket)>,
        shelf: &mut Shelf,
    ) -> sqlx::Result<Vec<(i32, Bucket)>> {
        let places = self.places;
        let parent_of = |id: i32, start| (level.parent)(start, places.zone(id));
        let mut parents: Vec<Parent> = changed.iter().map(|(id, b)| (*id, parent_of(*id, b.start))).collect();
        parents.sort_unstable();
        parents.dedup();
        shelf.fill(self.connection, level.children, &parents, level.reach, parent_of).await?;
        let (known, new): (Vec<_>, Vec<_>) = changed
            .into_iter()
            .partition(|(id, child)| shelf.put((*id, parent_of(*id, child.start)), child.clone()));
        tables::add(self.connection, level.children, &new).await?;
        tables::put(self.connection, level.children, &known).await?;
        let sum = |parent: &Parent| {
            let mut bucket = Bucket::empty(parent.1);
            for child in shelf.children(parent) {
                bucket.absorb(child, places.modulus(parent.0));
            }
            (parent.0, bucket)
        };
        Ok(parents.iter().map(sum).collect())
    }
}

/// Sorted minutes as stretches to read.
fn stretches(minutes: &[Parent]) -> Vec<Stretch> {
    let mut stretches: Vec<Stretch> = Vec::new();
    for &(regulator_id, minute) in minutes {
        let past = minute + TimeDelta::minutes(1);
        match stretches.last_mut() {
            Some(last) if last.regulator_id == regulator_id && minute <= last.past + GAP => last.past = past,
            _ => stretches.push(Stretch { regulator_id, from: minute, past }),
        }
    }
    stretches
}
