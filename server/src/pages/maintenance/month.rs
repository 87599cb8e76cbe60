//! One month on paper, and its lines as a file.

use std::collections::HashMap;

use axum::{
    extract::{Path, Query, State},
    response::{IntoResponse, Response},
};
use chrono::{Days, Months, NaiveDate, TimeDelta, Utc};
use regulator::{causes::Shares, conditions::Condition, wear::Outlook};
use sqlx::PgConnection;
use web::{
    frame::Section,
    maintenance::{Asked, Column, MonthLine, MonthPage, Totals},
};

use super::{
    Said, file,
    gather::{self, SUSPECTS, Unit},
};
use crate::{
    app::App,
    error::WebError,
    pages::{html, life},
    people::SignedIn,
};

/// Lines under "largest changes".
const CHANGES: usize = 10;
/// An end within so many days counts as near.
const NEAR: TimeDelta = TimeDelta::days(5 * 365);

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(month): Path<String>,
    Query(said): Query<Said>,
) -> Result<Response, WebError> {
    let (month, as_file) = match month.strip_suffix(".csv") {
        Some(month) => (read(month)?, true),
        None => (read(&month)?, false),
    };
    let asked = Asked { sort: Column::default(), reverse: false, all: false, ..said.understood()? };
    let now = Utc::now();
    let mut gathered = gather::rows(&app, &asked, now).await?;
    gathered.forecast(&app, None, now).await?;
    let mut db = app.pool.acquire().await?;
    let counted = count(&mut db, &gathered.units, month).await?;
    let mut lines: Vec<MonthLine> = gathered.units.iter().map(|unit| line(unit, &counted)).collect();
    lines.sort_by(|a, b| {
        let used = |l: &MonthLine| l.row.life.likely().unwrap_or(-1.0);
        used(b).total_cmp(&used(a)).then_with(|| a.row.order.cmp(&b.row.order))
    });
    if as_file {
        return file::of_month(&lines).answer(&format!("maintenance-month-{}.csv", month.format("%Y-%m")));
    }
    let totals = totals(&lines, &counted);
    let place = gathered.units.first().map_or_else(
        || "No regulator here".to_owned(),
        |unit| match (asked.feeder, asked.substation) {
            (Some(_), _) => format!("{} › {}", unit.place.substation, unit.place.feeder),
            (None, Some(_)) => unit.place.substation.clone(),
            (None, None) => "The fleet".to_owned(),
        },
    );
    let page = html(&MonthPage {
        frame: signed_in.frame(format!("Maintenance report {}", month.format("%Y-%m")), Section::Maintenance),
        month,
        place,
        changes: changes(&lines),
        totals,
        assumptions: gathered.assumptions,
        now,
        zone: gathered.units.first().map_or(chrono_tz::Tz::UTC, |unit| unit.zone),
        unfinished: now.date_naive() < month + Months::new(1),
        lines,
        asked,
    });
    page.map(IntoResponse::into_response)
}

/// The first day of a month written as 2026-10.
fn read(text: &str) -> Result<NaiveDate, WebError> {
    let day = (text.len() == 7).then(|| format!("{text}-01").parse::<NaiveDate>().ok()).flatten();
    day.ok_or_else(|| WebError::NotFound(format!("month “{text}”; write it as in 2026-10")))
}

/// What the month and the one before held.
#[derive(Default)]
struct Counted {
    /// By regulator: operations and days, this month and the one before, and the worst part's wear in this.
    days: HashMap<i32, ([(u64, u32); 2], f64)>,
    shares: [HashMap<i32, Shares>; 2],
    alarms: HashMap<i32, Vec<&'static str>>,
}

async fn count(db: &mut PgConnection, units: &[Unit], month: NaiveDate) -> sqlx::Result<Counted> {
    let ids: Vec<i32> = units.iter().map(|unit| unit.regulator.id).collect();
    let by_id: HashMap<i32, &Unit> = units.iter().map(|unit| (unit.regulator.id, unit)).collect();
    let (before, end) = (month - Months::new(1), month + Months::new(1) - Days::new(1));
    let mut counted = Counted::default();
    life::each_day(db, &ids, (before, end), |day| {
        let (months, worn) = counted.days.entry(day.regulator_id).or_default();
        let (operations, days) = &mut months[usize::from(day.day < month)];
        *operations += day.operations;
        *days += 1;
        let unit = by_id.get(&day.regulator_id).filter(|_| day.day >= month);
        if let Some((unit, part)) = unit.and_then(|unit| Some((unit, unit.worst()?))) {
            *worn += unit.basis.share(&day.part(part)).likely;
        }
    })
    .await?;
    counted.shares = [
        life::by_regulator(db, &ids, (month, end)).await?,
        life::by_regulator(db, &ids, (before, month - Days::new(1))).await?,
    ];
    counted.alarms = alarms(db, &ids, month, month + Months::new(1)).await?;
    Ok(counted)
}

/// Alarms of the mechanism raised in the month of the site, by regulator.
async fn alarms(
    db: &mut PgConnection,
    ids: &[i32],
    from: NaiveDate,
    before: NaiveDate,
) -> sqlx::Result<HashMap<i32, Vec<&'static str>>> {
    let concerned = SUSPECTS.into_iter().chain([Condition::WearLimit, Condition::ExerciseDue]);
    let names: Vec<String> = concerned.map(|c| c.name().to_owned()).collect();
    let rows = sqlx::query!(
        r#"select a.regulator_id as "regulator_id!", a.condition from alarm a
            join regulator r on r.id = a.regulator_id
            join bank b on b.id = r.bank_id
            join site s on s.id = b.site_id
            where a.condition = any($1) and a.regulator_id = any($2)
              and a.raised_at >= ($3::date)::timestamp at time zone s.time_zone
              and a.raised_at < ($4::date)::timestamp at time zone s.time_zone
            order by a.id"#,
        &names,
        ids,
        from,
        before
    )
    .fetch_all(db)
    .await?;
    let mut found: HashMap<i32, Vec<_>> = HashMap::new();
    for row in rows {
        if let Some(condition) = Condition::from_name(&row.condition) {
            found.entry(row.regulator_id).or_default().push(condition.title());
        }
    }
    Ok(found)
}

fn line(unit: &Unit, counted: &Counted) -> MonthLine {
    let id = unit.regulator.id;
    let (months, worn) = counted.days.get(&id).copied().unwrap_or_default();
    let known = |(operations, days): (u64, u32)| (days > 0).then_some(operations);
    let [now, before] = months;
    let wears = now.1 > 0 && unit.worst().is_some();
    MonthLine {
        row: unit.row(),
        operations: known(now),
        before: known(before),
        days: now.1,
        worn: wears.then_some(worn),
        shares: counted.shares[0].get(&id).copied().unwrap_or_default(),
        alarms: counted.alarms.get(&id).cloned().unwrap_or_default(),
    }
}

fn totals(lines: &[MonthLine], counted: &Counted) -> Totals {
    let near = |line: &&MonthLine| match line.row.outlook {
        Some(Outlook::Reached) => true,
        Some(Outlook::End { likely: Some(at), .. }) => {
            line.row.dwell.as_ref().is_some_and(|dwell| at - dwell.seen_until < NEAR)
        }
        _ => false,
    };
    Totals {
        units: lines.iter().filter(|l| l.operations.is_some()).count(),
        operations: lines.iter().filter_map(|l| l.operations).sum(),
        before: lines.iter().filter_map(|l| l.before).sum(),
        units_before: lines.iter().filter(|l| l.before.is_some()).count(),
        shares: (counted.shares[0].values().copied().sum(), counted.shares[1].values().copied().sum()),
        due: lines.iter().filter(|l| l.row.due_days().is_some()).count(),
        near: lines.iter().filter(near).count(),
        alarms: lines.iter().map(|l| l.alarms.len()).sum(),
    }
}

/// The largest changes of operations against the month before, of units that have both.
fn changes(lines: &[MonthLine]) -> Vec<(String, i32, u64, u64)> {
    let mut changed: Vec<&MonthLine> = lines.iter().filter(|l| l.change().is_some_and(|n| n != 0)).collect();
    changed.sort_by_key(|l| std::cmp::Reverse(l.change().unwrap_or(0).abs()));
    let told = |l: &&MonthLine| Some((l.row.name.clone(), l.row.id, l.operations?, l.before?));
    changed.iter().take(CHANGES).filter_map(told).collect()
}
