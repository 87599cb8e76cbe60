//! How well alarms served the people who answer them, for any period and part of the fleet.

mod load;
#[cfg(test)]
mod tests;

use std::collections::HashMap;

use axum::{
    Router,
    extract::{Query, State},
    response::Html,
    routing::get,
};
use chrono::{Days, NaiveDate, TimeDelta, TimeZone, Timelike, Utc};
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    alarms::quality::{self, Quality, Span, figures},
    conditions::{Condition, Priority},
};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    alarm_quality::{Asked, Bars, List, Named, QualityPage},
    board::Choice,
    frame::Section,
    words,
};

use super::{alarm_places::Sought, handover, html};
use crate::{app::App, error::WebError, people::SignedIn};

/// Longest period.
const LONGEST: TimeDelta = TimeDelta::days(3 * 366);
/// Days shown unless others are asked for.
const USUAL: u64 = 30;
/// Alarms of a list.
const LISTED: usize = 10;

pub(super) fn routes() -> Router<App> {
    Router::new().route("/alarm-quality", get(show))
}

/// What the address may say; empty values come from the form and mean the usual.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Said {
    place: String,
    from: String,
    to: String,
}

impl Said {
    fn understood(self, today: NaiveDate) -> Result<Asked, WebError> {
        let day = |text: &str, usual: NaiveDate| match text {
            "" => Ok(usual),
            text => text
                .parse::<NaiveDate>()
                .ok()
                .filter(|day| (2000..2200).contains(&chrono::Datelike::year(day)))
                .ok_or_else(|| {
                    WebError::BadRequest(format!("“{text}” is no day; write it as in 2026-10-31."))
                }),
        };
        let to = day(&self.to, today)?;
        let from = day(&self.from, to - Days::new(USUAL - 1))?;
        if from > to || to - from > LONGEST {
            let why = "The first day must not be after the last, nor three years before it.";
            return Err(WebError::BadRequest(why.to_owned()));
        }
        let place = if self.place.is_empty() { "fleet".to_owned() } else { self.place };
        Ok(Asked { place, from, to })
    }
}

/// Midnight of a day, or the first instant after it where clocks are put forward then.
fn begin(day: NaiveDate, zone: Tz) -> Timestamp {
    let midnight = day.and_hms_opt(0, 0, 0).unwrap_or_default();
    zone.from_local_datetime(&midnight).earliest().map_or_else(|| midnight.and_utc(), |at| at.to_utc())
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(said): Query<Said>,
) -> Result<Html<String>, WebError> {
    let mut db = app.pool.acquire().await?;
    let zone = handover::zone(&mut db).await?;
    let now = Utc::now();
    let asked = said.understood(now.with_timezone(&zone).date_naive())?;
    let (from, to) = (begin(asked.from, zone), begin(asked.to + Days::new(1), zone).min(now));
    let (places, place, sought) = places(&mut db, &asked.place).await?;
    let keys = sought.keys(&mut db).await?;
    let loaded = load::all(&mut db, (from, to), keys.as_deref()).await?;
    let quality = quality::measure(&quality::Input {
        from,
        to,
        annunciations: &loaded.annunciations,
        standing: &loaded.standing,
        shelved: &loaded.shelved_too_long,
        // Each was held against the limit of its own priority already.
        shelving_limit: TimeDelta::zero(),
    });
    let lists = lists(&mut db, &quality, to).await?;
    let times: Vec<Timestamp> = loaded.annunciations.iter().map(|a| a.at).collect();
    html(&QualityPage {
        frame: signed_in.frame("Alarm quality", Section::AlarmQuality),
        places,
        place,
        from,
        to,
        zone,
        annunciations: quality.annunciations,
        sources: quality.sources,
        charts: vec![by_day(&times, &asked, zone), by_hour(&times, from, to, zone)],
        floods: quality
            .floods
            .iter()
            .map(|f| (f.from, words::span(f.to.unwrap_or(to) - f.from), f.annunciations))
            .collect(),
        lists,
        priorities: Priority::ALL.iter().copied().zip(quality.priorities).rev().collect(),
        metrics: quality.metrics,
        asked,
    })
}

/// Places to choose from, the chosen one in words, and what is sought there.
async fn places(
    db: &mut PgConnection,
    chosen: &str,
) -> Result<(Vec<(&'static str, Vec<Choice>)>, String, Sought<'static>), WebError> {
    let rows = sqlx::query!(
        r#"select 'substation' as "kind!", id as "id!", name as "name!" from substation
           union all
           select 'feeder', f.id, u.name || ' › ' || f.name from feeder f join substation u on u.id = f.substation_id
           order by 3, 2"#
    )
    .fetch_all(db)
    .await?;
    let choice = |value: String, title: String| Choice { chosen: value == chosen, value, title };
    let of = |kind: &str| -> Vec<Choice> {
        let rows = rows.iter().filter(|r| r.kind == kind);
        rows.map(|r| choice(format!("{kind}:{}", r.id), r.name.clone())).collect()
    };
    let whole = vec![choice("fleet".to_owned(), "The whole fleet".to_owned())];
    let all = vec![("", whole), ("Substations", of("substation")), ("Feeders", of("feeder"))];
    let name = all.iter().flat_map(|(_, choices)| choices).find(|c| c.chosen).map(|c| c.title.clone());
    let name = name.ok_or_else(|| WebError::NotFound(format!("part “{chosen}” of the fleet")))?;
    let id = |kind: &str| chosen.strip_prefix(kind).and_then(|id| id.parse().ok());
    Ok((all, name, Sought { substation: id("substation:"), feeder: id("feeder:"), ..Sought::default() }))
}

/// How many were told each day, or each week or month where days would be too many to see.
fn by_day(times: &[Timestamp], asked: &Asked, zone: Tz) -> Bars {
    use web::causes::Period;
    let period = Period::suiting((asked.to - asked.from).num_days());
    let mut counts: HashMap<NaiveDate, u32> = HashMap::new();
    for at in times {
        *counts.entry(period.begin(at.with_timezone(&zone).date_naive())).or_default() += 1;
    }
    let columns: Vec<(String, f64)> = period
        .all(asked.from, asked.to)
        .into_iter()
        .map(|day| (period.name(day), f64::from(counts.get(&day).copied().unwrap_or(0))))
        .collect();
    match period {
        Period::Day => Bars::draw(
            "Alarms a day",
            &columns,
            &[
                (figures::PER_DAY.acceptable, "150 a day, acceptable for one person"),
                (figures::PER_DAY.most, "300 a day, the most that can be managed"),
            ],
        ),
        Period::Week => Bars::draw("Alarms a week", &columns, &[]),
        Period::Month => Bars::draw("Alarms a month", &columns, &[]),
    }
}

/// How many were told in each hour of the day, in the mean.
fn by_hour(times: &[Timestamp], from: Timestamp, to: Timestamp, zone: Tz) -> Bars {
    let mut counts = [0_u32; 24];
    for at in times {
        counts[usize::try_from(at.with_timezone(&zone).hour()).unwrap_or(0)] += 1;
    }
    let days = ((to - from).as_seconds_f64() / 86_400.0).max(1.0);
    let columns: Vec<(String, f64)> =
        counts.iter().enumerate().map(|(hour, n)| (format!("{hour:02}:00"), f64::from(*n) / days)).collect();
    let limits = [(figures::PER_HOUR.acceptable, "6 an hour, acceptable for one person")];
    Bars::draw("Alarms an hour, by hour of the day, mean", &columns, &limits)
}

/// What a list says of one alarm: its point's number and words.
type Entry = (Condition, u64, String);

async fn lists(db: &mut PgConnection, quality: &Quality, to: Timestamp) -> sqlx::Result<Vec<List>> {
    let span = |s: &Span| (s.condition, s.place, words::span(s.to.unwrap_or(to).min(to) - s.from));
    let frequent: Vec<Entry> = quality
        .most_frequent
        .iter()
        .map(|f| (f.source.0, f.source.1, format!("{}, {:.1} %", times(f.times), f.percent)))
        .collect();
    let chattering: Vec<Entry> = quality
        .chattering
        .iter()
        .map(|s| (s.0, s.1, "more than 3 times within an hour".to_owned()))
        .collect();
    let stale: Vec<Entry> = quality.stale.iter().map(span).collect();
    let shelved: Vec<Entry> = quality.shelved_too_long.iter().map(span).collect();
    let parts: [(&'static str, &'static str, Vec<Entry>); 4] = [
        ("Most frequent", "The ten that were told most often.", frequent),
        (
            "Chattering",
            "Alarms that came and went too fast to be of use; a longer delay or a wider deadband helps.",
            chattering,
        ),
        (
            "Stale",
            "Alarms that stood for more than 24 hours: nobody acts on them, or nobody needs to.",
            stale,
        ),
        (
            "Shelved too long",
            "Alarms shelved for longer than their priority allows, time after time.",
            shelved,
        ),
    ];
    let ids: Vec<i64> = parts
        .iter()
        .flat_map(|(.., entries)| entries.iter().take(LISTED))
        .filter_map(|(_, point, _)| i64::try_from(*point).ok())
        .collect();
    let names = names(db, &ids).await?;
    let named = |(condition, point, words): &Entry| {
        let (id, place) = names.get(point)?;
        Some(Named { condition: *condition, place: place.clone(), id: *id, words: words.clone() })
    };
    Ok(parts
        .iter()
        .map(|(title, hint, entries)| List {
            title,
            hint,
            count: entries.len(),
            rows: entries.iter().take(LISTED).filter_map(named).collect(),
        })
        .collect())
}

/// The latest alarm and the place in words of each point.
async fn names(db: &mut PgConnection, points: &[i64]) -> sqlx::Result<HashMap<u64, (i64, String)>> {
    let rows = sqlx::query!(
        r#"select p.id, a.id as "alarm_id!", a.place as "place!" from alarm_shown a join alarm_point p on p.alarm_id = a.id
           where a.id = any(array(select alarm_id from alarm_point where id = any($1)))"#,
        points
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .filter_map(|row| Some((u64::try_from(row.id).ok()?, (row.alarm_id, row.place))))
        .collect())
}

fn times(n: u64) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}
