//! Rows of `service_day`: what each regulator did on each day of its site.

use std::collections::HashMap;

use chrono::NaiveDate;
use futures_util::TryStreamExt;
use regulator::{
    dwell::TapTime,
    wear::{ContactWear, Part, Wear},
};
use sqlx::PgConnection;

/// One regulator's day.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Day {
    pub(in crate::pages) regulator_id: i32,
    pub(in crate::pages) day: NaiveDate,
    pub(in crate::pages) operations: u64,
    wear: String,
}

impl Day {
    /// What the day used up of one part. Not read before it is wanted, and no more than that: it is most of what a day costs.
    pub(in crate::pages) fn part(&self, part: Part) -> Wear {
        cut_out(&self.wear, part.index()).unwrap_or_else(|| wear(self.regulator_id, &self.wear).part(part))
    }
}

/// Hands every day of these regulators from one to another, both included, to `take`, in no order. There can be hundreds of
/// thousands: none is kept, and sorting them would cost more than reading them.
pub(in crate::pages) async fn each_day(
    db: &mut PgConnection,
    ids: &[i32],
    (from, to): (NaiveDate, NaiveDate),
    mut take: impl FnMut(Day),
) -> sqlx::Result<()> {
    let mut rows = sqlx::query!(
        "select regulator_id, day, operations, wear from service_day
            where regulator_id = any($1) and day between $2 and $3",
        ids,
        from,
        to
    )
    .fetch(db);
    while let Some(row) = rows.try_next().await? {
        take(Day {
            regulator_id: row.regulator_id,
            day: row.day,
            operations: u64::try_from(row.operations).unwrap_or(0),
            wear: row.wear,
        });
    }
    Ok(())
}

/// Operations of each of these regulators in the days before its own today, and how many of those days it has.
pub(in crate::pages) async fn operations_before(
    db: &mut PgConnection,
    ids: &[i32],
    todays: &[NaiveDate],
    days: u64,
) -> sqlx::Result<HashMap<i32, (u64, u32)>> {
    let rows = sqlx::query!(
        r#"select d.regulator_id, sum(d.operations)::bigint as "operations!", count(*) as "days!"
            from unnest($1::integer[], $2::date[]) wanted(id, today)
            join service_day d on d.regulator_id = wanted.id and d.day >= wanted.today - $3::integer and d.day < wanted.today
            group by d.regulator_id"#,
        ids,
        todays,
        i32::try_from(days).unwrap_or(i32::MAX)
    )
    .fetch_all(db)
    .await?;
    let sum = |operations: i64, days: i64| {
        (u64::try_from(operations).unwrap_or(0), u32::try_from(days).unwrap_or(u32::MAX))
    };
    Ok(rows.into_iter().map(|row| (row.regulator_id, sum(row.operations, row.days))).collect())
}

/// Time at each tap of these regulators, over days from one to another, both included.
pub(in crate::pages) async fn tap_days(
    db: &mut PgConnection,
    ids: &[i32],
    (from, to): (NaiveDate, NaiveDate),
) -> sqlx::Result<Vec<(i32, TapTime)>> {
    let rows = sqlx::query!(
        "select regulator_id, tap_lowest, tap_seconds, unknown_seconds from service_day
            where regulator_id = any($1) and day between $2 and $3",
        ids,
        from,
        to
    )
    .fetch_all(db)
    .await?;
    let day = |lowest: i16, seconds: Vec<i32>, unknown: i32| {
        let taps = (i32::from(lowest)..).zip(seconds.into_iter().map(|s| u64::try_from(s).unwrap_or(0)));
        TapTime::of(taps, u64::try_from(unknown).unwrap_or(0))
    };
    Ok(rows
        .into_iter()
        .map(|r| (r.regulator_id, day(r.tap_lowest, r.tap_seconds, r.unknown_seconds)))
        .collect())
}

/// One part out of stored wear, as long as it is written as we write it.
fn cut_out(text: &str, index: usize) -> Option<Wear> {
    let (parts, _) = text.split_once("\"parts\":[[")?.1.split_once("]]")?;
    serde_json::from_str(&format!("[{}]", parts.split("],[").nth(index)?)).ok()
}

/// Wear as stored; none, with a warning, where that does not read.
pub(super) fn wear(regulator: i32, text: &str) -> ContactWear {
    serde_json::from_str(text).unwrap_or_else(|error| {
        tracing::warn!(regulator, %error, "stored wear does not read");
        ContactWear::default()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_cut_out_is_the_one_that_reading_all_gives() {
        let of = |n: u64| [n, 10 * n, 20 * n, 30 * n];
        let parts: Vec<_> = (1..=regulator::wear::PART_COUNT as u64).map(of).collect();
        let stored = serde_json::to_string(
            &serde_json::from_value::<ContactWear>(serde_json::json!({ "parts": parts, "reversals": 3 }))
                .unwrap(),
        )
        .unwrap();
        let spaced = stored.replace(',', ", ");
        let all: ContactWear = serde_json::from_str(&stored).unwrap();
        for (part, _) in all.parts() {
            assert_eq!(cut_out(&stored, part.index()), Some(all.part(part)), "{stored}");
            let day = |wear: &str| Day {
                regulator_id: 1,
                day: NaiveDate::default(),
                operations: 0,
                wear: wear.to_owned(),
            };
            assert_eq!(day(&spaced).part(part), all.part(part), "written otherwise");
            assert_eq!(day("{}").part(part), Wear::default());
        }
    }
}
