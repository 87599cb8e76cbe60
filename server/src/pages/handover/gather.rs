//! What the sheet holds, read from the tables.

use chrono_tz::Tz;
use regulator::Timestamp;
use sqlx::PgConnection;
use web::{
    alarms::{Counts, Filter, Row, Show},
    handover::{Line, Part, Said, Sheet, WindowLine},
};

use crate::pages::{alarms, notes, windows};

/// Alarms of one state on the sheet; the rest is counted.
const LINES: i64 = 40;
/// Notes, and what people did, on the sheet.
const SAID: i64 = 100;

/// How things stand, and what happened between.
pub(super) async fn sheet(
    db: &mut PgConnection,
    from: Timestamp,
    to: Timestamp,
    zone: Tz,
) -> sqlx::Result<Sheet> {
    let counts = alarms::counts(db).await?;
    let (raised, returned_since) = counted(db, from, to).await?;
    Ok(Sheet {
        open: part(db, Show::Open, &counts).await?,
        returned: part(db, Show::ReturnedUnacknowledged, &counts).await?,
        shelved: part(db, Show::Shelved, &counts).await?,
        out_of_service: part(db, Show::OutOfService, &counts).await?,
        suppressed: part(db, Show::Suppressed, &counts).await?,
        windows: windows::soon(db, to).await?.iter().map(|w| window(w, to)).collect(),
        notes: written(db, from, to, zone).await?,
        deeds: deeds(db, from, to, zone).await?,
        raised,
        returned_since,
    })
}

async fn part(db: &mut PgConnection, show: Show, counts: &Counts) -> sqlx::Result<Part> {
    let count = match show {
        Show::ReturnedUnacknowledged => counts.returned,
        Show::Shelved => counts.shelved,
        Show::OutOfService => counts.out_of_service,
        Show::Suppressed => counts.suppressed,
        _ => counts.unacknowledged + counts.acknowledged,
    };
    let ids = alarms::find(db, &Filter { show, ..Filter::default() }, LINES).await?;
    Ok(Part { count, lines: alarms::rows(db, &ids).await?.iter().map(line).collect() })
}

fn line(row: &Row) -> Line {
    let clock = |at: Timestamp| at.with_timezone(&row.zone).format("%Y-%m-%d %H:%M %Z").to_string();
    let mut standing: Vec<String> = row
        .holds
        .iter()
        .map(|held| {
            let by = held.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
            let until = held.until.map(|at| format!(" until {}", clock(at))).unwrap_or_default();
            format!("{}{by}{until}: {}", held.state.title(), held.why)
        })
        .collect();
    match (&row.acknowledged_by, row.acknowledgeable) {
        (Some(person), _) => standing.push(format!("acknowledged by {person}")),
        (None, true) => standing.push("nobody has acknowledged it".to_owned()),
        (None, false) => {}
    }
    standing.extend(row.raised_mark().map(str::to_owned));
    if row.returned_at.is_some() {
        standing.push("true no longer".to_owned());
    }
    Line {
        id: row.id,
        priority: row.priority.title().to_owned(),
        title: row.condition.title().to_owned(),
        place: row.place.clone(),
        summary: row.summary.clone(),
        since: clock(row.raised_at),
        standing,
    }
}

fn window(window: &web::windows::Window, now: Timestamp) -> WindowLine {
    WindowLine {
        id: window.id,
        place: window.place.clone(),
        span: window.span(),
        standing: window.standing(&now).title().to_owned(),
        reason: window.reason.clone(),
        person: window.person.clone(),
    }
}

async fn counted(db: &mut PgConnection, from: Timestamp, to: Timestamp) -> sqlx::Result<(i64, i64)> {
    let row = sqlx::query!(
        r#"select count(*) filter (where kind = 'raised') as "raised!", count(*) filter (where kind = 'returned') as "returned!"
           from alarm_transition where at >= $1 and at < $2 and kind in ('raised', 'returned')"#,
        from,
        to
    )
    .fetch_one(db)
    .await?;
    Ok((row.raised, row.returned))
}

async fn written(db: &mut PgConnection, from: Timestamp, to: Timestamp, zone: Tz) -> sqlx::Result<Vec<Said>> {
    let rows = sqlx::query!(
        r#"with n as materialized (select * from note where at >= $1 and at < $2 order by at, id limit $3)
           select n.at as "at!", n.person as "person!", n.text as "text!", n.alarm_id, n.regulator_id, n.site_id,
                a.condition as "condition?", a.place as "place?", p.name as "name?"
           from n left join (select id, condition, place from alarm_shown where id = any(array(select alarm_id from n))) a on a.id = n.alarm_id
           left join threshold_place p on p.kind = case when n.site_id is null then 'regulator' else 'site' end
                and p.id = coalesce(n.site_id, n.regulator_id)
           order by n.at, n.id"#,
        from,
        to,
        SAID
    )
    .fetch_all(db)
    .await?;
    let said = rows.into_iter().map(|row| {
        let name = row.name.unwrap_or_default();
        let about = match (row.alarm_id, row.regulator_id, row.site_id) {
            (Some(id), ..) => {
                let title = notes::title(row.condition.as_deref());
                (format!("{title}, {}", row.place.unwrap_or_default()), format!("/alarms/{id}"))
            }
            (_, Some(id), _) => (name, format!("/regulator/{id}/audit")),
            (.., site) => (name, format!("/site/{}", site.unwrap_or_default())),
        };
        Said { at: clock(row.at, zone), person: row.person, about, what: String::new(), text: row.text }
    });
    Ok(said.collect())
}

/// Acknowledged, shelved, taken out and back, by people.
async fn deeds(db: &mut PgConnection, from: Timestamp, to: Timestamp, zone: Tz) -> sqlx::Result<Vec<Said>> {
    let rows = sqlx::query!(
        r#"with t as materialized (
             select t.id, t.recorded_at, t.kind, t.person, t.note, coalesce(t.alarm_id, p.alarm_id) as alarm_id
             from alarm_transition t left join alarm_point p on p.id = t.point_id
             where t.person is not null and t.recorded_at >= $1 and t.recorded_at < $2 order by t.id limit $3)
           select t.recorded_at as "recorded_at!", t.kind as "kind!", t.person as "person!", t.note, a.id as "id!",
                a.condition as "condition!", a.place as "place!"
           from t join (select id, condition, place from alarm_shown where id = any(array(select alarm_id from t))) a on a.id = t.alarm_id
           order by t.id"#,
        from,
        to,
        SAID
    )
    .fetch_all(db)
    .await?;
    let said = rows.into_iter().map(|row| Said {
        at: clock(row.recorded_at, zone),
        person: row.person,
        about: (
            format!("{}, {}", notes::title(Some(&row.condition)), row.place),
            format!("/alarms/{}", row.id),
        ),
        what: alarms::what(&row.kind),
        text: row.note.unwrap_or_default(),
    });
    Ok(said.collect())
}

fn clock(at: Timestamp, zone: Tz) -> String {
    at.with_timezone(&zone).format("%Y-%m-%d %H:%M %Z").to_string()
}
