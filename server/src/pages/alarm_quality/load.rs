//! What was told, stood and was shelved in a period, read so that a year of a busy fleet does not take over a second: instants come
//! as one array an alarm, and of what stood only that which can count (gone within five minutes, or longer than a day).

use std::collections::HashMap;

use chrono::TimeDelta;
use regulator::{
    Timestamp,
    alarms::quality::{Annunciation, Span},
    conditions::{Condition, Priority},
};
use sqlx::PgConnection;

/// What [`regulator::alarms::quality`] measures; the place of each is the number of its point.
#[derive(Debug, Default)]
pub(super) struct Loaded {
    pub(super) annunciations: Vec<Annunciation>,
    pub(super) standing: Vec<Span>,
    pub(super) shelved_too_long: Vec<Span>,
}

type Period = (Timestamp, Timestamp);

pub(super) async fn all(
    db: &mut PgConnection,
    period: Period,
    places: Option<&[String]>,
) -> sqlx::Result<Loaded> {
    let mut standing = fleeting(db, period, places).await?;
    standing.extend(long(db, period, places).await?);
    Ok(Loaded {
        annunciations: annunciations(db, period, places).await?,
        standing,
        shelved_too_long: shelved_too_long(db, period, places).await?,
    })
}

fn point(id: i64, condition: &str) -> Option<(u64, Condition)> {
    Some((u64::try_from(id).ok()?, Condition::from_name(condition)?))
}

/// Each time an alarm was told to people. What was found in readings that were hours old, as when a history is read in, counts as of when it
/// happened: nobody sat before it as it was written down.
async fn annunciations(
    db: &mut PgConnection,
    (from, to): Period,
    places: Option<&[String]>,
) -> sqlx::Result<Vec<Annunciation>> {
    let rows = sqlx::query!(
        r#"select p.id, p.condition, t.times as "times!" from (
             select point_id, array_agg(told) as times from (
                 select *, case when recorded_at - at > interval '1 hour' then at else recorded_at end as told from alarm_transition
                 where at >= $1::timestamptz - interval '1 hour' and at < $2) k
             where kind in ('raised', 'raised_again', 'unshelved', 'silence_ended', 'maintenance_ended', 'put_back')
               and coalesce(process, 'unacknowledged') = 'unacknowledged' and coalesce(holds, '{}') = '{}'
               and told >= $1 and told < $2
             group by point_id) t
           join alarm_point p on p.id = t.point_id
           where $3::text[] is null or p.place_key = any($3)"#,
        from,
        to,
        places
    )
    .fetch_all(db)
    .await?;
    let mut all = Vec::new();
    for row in rows {
        let Some((place, condition)) = point(row.id, &row.condition) else { continue };
        // Alarms keep the priority that they were raised with; here the present one counts, as the page says.
        let priority = condition.priority();
        all.extend(row.times.into_iter().map(|at| Annunciation { at, condition, place, priority }));
    }
    Ok(all)
}

/// Alarms that went away within five minutes.
async fn fleeting(
    db: &mut PgConnection,
    (from, to): Period,
    places: Option<&[String]>,
) -> sqlx::Result<Vec<Span>> {
    let rows = sqlx::query!(
        r#"select p.id, p.condition, a.raised as "raised!", a.returned as "returned!" from (
             select point_id, array_agg(raised_at) as raised, array_agg(returned_at) as returned from alarm
             where returned_at - raised_at < interval '5 minutes' and announced_at is not null
               and raised_at >= $1 and raised_at < $2
             group by point_id) a
           join alarm_point p on p.id = a.point_id
           where $3::text[] is null or p.place_key = any($3)"#,
        from,
        to,
        places
    )
    .fetch_all(db)
    .await?;
    let mut all = Vec::new();
    for row in rows {
        let Some((place, condition)) = point(row.id, &row.condition) else { continue };
        let spans = row.raised.into_iter().zip(row.returned);
        all.extend(spans.map(|(from, to)| Span { condition, place, from, to: Some(to) }));
    }
    Ok(all)
}

/// Alarms that stood for longer than a day, or still do.
async fn long(
    db: &mut PgConnection,
    (from, to): Period,
    places: Option<&[String]>,
) -> sqlx::Result<Vec<Span>> {
    let rows = sqlx::query!(
        r#"select p.id, p.condition, a.raised_at as "raised_at!", a.returned_at from (
             select point_id, raised_at, returned_at from alarm
             where returned_at - raised_at > interval '24 hours' and announced_at is not null and returned_at > $1 and raised_at < $2
             union all
             select point_id, raised_at, returned_at from alarm
             where returned_at is null and announced_at is not null and raised_at < $2) a
           join alarm_point p on p.id = a.point_id
           where $3::text[] is null or p.place_key = any($3)"#,
        from,
        to,
        places
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .filter_map(|row| {
            let (place, condition) = point(row.id, &row.condition)?;
            Some(Span { condition, place, from: row.raised_at, to: row.returned_at })
        })
        .collect())
}

/// Alarms that were on the shelf for longer than the rule of their priority allows: shelved anew time after time.
async fn shelved_too_long(
    db: &mut PgConnection,
    (from, to): Period,
    places: Option<&[String]>,
) -> sqlx::Result<Vec<Span>> {
    let rules = sqlx::query!("select priority, shelf_s from alarm_rule").fetch_all(&mut *db).await?;
    let limits: HashMap<i16, TimeDelta> =
        rules.into_iter().map(|r| (r.priority, TimeDelta::seconds(r.shelf_s.into()))).collect();
    let limit = |p: Priority| limits.get(&p.level()).copied().unwrap_or(TimeDelta::MAX);
    let steps = sqlx::query!(
        r#"select t.point_id as "point_id!", t.at, t.kind = 'shelved' as "begins!", p.condition
           from alarm_transition t join alarm_point p on p.id = t.point_id
           where t.kind in ('shelved', 'unshelved') and t.at < $1 and ($2::text[] is null or p.place_key = any($2))
           order by t.point_id, t.id"#,
        to,
        places
    )
    .fetch_all(db)
    .await?;
    let mut spans: Vec<Span> = Vec::new();
    for step in steps {
        let Some((place, condition)) = point(step.point_id, &step.condition) else { continue };
        match spans.last_mut().filter(|s| s.place == place && s.to.is_none()) {
            // Shelved anew while shelved: it goes on.
            Some(_) if step.begins => {}
            Some(open) => open.to = Some(step.at),
            None if step.begins => spans.push(Span { condition, place, from: step.at, to: None }),
            None => {}
        }
    }
    spans.retain(|s| {
        let end = s.to.unwrap_or(to).min(to);
        // A second more: the clock that takes alarms off the shelf looks once a second.
        end > from && end - s.from > limit(s.condition.priority()) + TimeDelta::seconds(2)
    });
    Ok(spans)
}
