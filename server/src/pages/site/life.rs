//! Why a site's regulators tapped and where they stood, over the range of its page.

use std::collections::{BTreeMap, HashMap};

use chrono::{NaiveDate, TimeDelta};
use chrono_tz::Tz;
use regulator::{Timestamp, causes::Shares, dwell::TapTime};
use sqlx::PgConnection;
use web::{
    causes::{Chart, Line, Period},
    site::{Range, SiteLife, TapBar, UnitLife},
};

use super::operations;
use crate::{app::App, detection::thresholds::Thresholds, pages::life, pages::trend::Subject};

/// Operations in the short list.
const NEWEST: i64 = 15;

/// The part of the page.
pub(super) async fn load(
    app: &App,
    site: i32,
    subjects: &[Subject],
    range: &Range,
    zone: Tz,
) -> sqlx::Result<SiteLife> {
    let mut db = app.pool.acquire().await?;
    let ids: Vec<i32> = subjects.iter().map(|s| s.id).collect();
    let days = days(range, zone);
    let by = Period::suiting((days.1 - days.0).num_days());
    let rows = operations::newest(&mut db, &ids, range, None, NEWEST + 1).await?;
    let more = rows.len() > usize::try_from(NEWEST).unwrap_or(0);
    let newest =
        rows.iter().take(if more { rows.len() - 1 } else { rows.len() }).map(|o| o.shown(subjects, zone));
    let newest = newest.collect();
    let mut shares = by_day(&mut db, &ids, range, zone).await?;
    let mut taps: HashMap<i32, TapTime> = HashMap::new();
    for (id, time) in life::tap_days(&mut db, &ids, days).await? {
        *taps.entry(id).or_default() += &time;
    }
    let lives = life::load(&mut db, &ids).await?;
    let thresholds = Thresholds::load(&mut db).await?;
    let rules: HashMap<i32, _> = app.picture.read(|fleet| {
        let here = fleet.units().iter().filter(|unit| ids.contains(&unit.regulator.id));
        here.map(|u| (u.regulator.id, life::exercise_rule(&thresholds.of_regulator(&u.regulator)))).collect()
    });
    let unit = |subject: &Subject| {
        let of_it = shares.remove(&subject.id).unwrap_or_default();
        let lines = lines(&of_it, by, days);
        let columns: Vec<_> = lines.iter().map(|line| (line.name.clone(), line.shares)).collect();
        let taps = taps.remove(&subject.id).unwrap_or_default();
        UnitLife {
            id: subject.id,
            name: subject.name.clone(),
            shares: of_it.values().copied().sum(),
            lines,
            chart: Chart::draw(&columns),
            bars: TapBar::draw(&taps),
            taps,
            dwell: lives
                .get(&subject.id)
                .map(|l| l.dwell(&rules.get(&subject.id).copied().unwrap_or_default())),
        }
    };
    let settled = lives.values().map(|l| l.settled_until.max(l.seen_until - TimeDelta::minutes(15))).min();
    Ok(SiteLife {
        id: site,
        zone,
        range: *range,
        units: subjects.iter().map(unit).collect(),
        by,
        newest,
        more,
        settled: settled.map(|at| super::clock(at, zone)),
    })
}

/// First and last day of the range on the site's calendar.
fn days(range: &Range, zone: Tz) -> (NaiveDate, NaiveDate) {
    let day = |at: Timestamp| at.with_timezone(&zone).date_naive();
    (day(range.from), day(range.to - TimeDelta::milliseconds(1)))
}

type ByDay = BTreeMap<NaiveDate, Shares>;

/// Operations within the range itself, by regulator and day.
async fn by_day(
    db: &mut PgConnection,
    ids: &[i32],
    range: &Range,
    zone: Tz,
) -> sqlx::Result<HashMap<i32, ByDay>> {
    let rows = sqlx::query!(
        r#"select regulator_id, (at at time zone $4)::date as "day!", cause, sum(operations)::bigint as "operations!",
                sum(operations * confidence::double precision) as "weight!",
                coalesce(sum(operations) filter (where undone), 0)::bigint as "undone!"
            from operation where regulator_id = any($1) and at >= $2 and at < $3 group by 1, 2, 3"#,
        ids,
        range.from,
        range.to,
        zone.name()
    )
    .fetch_all(db)
    .await?;
    let mut all: HashMap<i32, ByDay> = HashMap::new();
    for row in rows {
        let shares = all.entry(row.regulator_id).or_default().entry(row.day).or_default();
        life::add(shares, row.cause, row.operations, row.weight, row.undone);
    }
    Ok(all)
}

fn lines(by_day: &ByDay, by: Period, (from, to): (NaiveDate, NaiveDate)) -> Vec<Line> {
    let line = |begin: NaiveDate| Line {
        name: by.name(begin),
        href: None,
        shares: by_day.range(begin..by.next(begin)).map(|(_, shares)| *shares).sum(),
    };
    by.all(from, to).into_iter().map(line).collect()
}
