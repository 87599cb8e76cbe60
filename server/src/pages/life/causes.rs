//! Sums of operations by cause, from `cause_day`.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use regulator::causes::{Cause, Shares};
use sqlx::PgConnection;
use web::causes::{Coverage, Line, Period};

/// Sums of these regulators together, by period.
pub(in crate::pages) async fn by_period(
    db: &mut PgConnection,
    ids: &[i32],
    by: Period,
    (from, to): (NaiveDate, NaiveDate),
) -> sqlx::Result<Vec<Line>> {
    let rows = sqlx::query!(
        r#"select date_trunc($4, day::timestamp)::date as "begin!", cause, sum(operations)::bigint as "operations!",
                sum(weight) as "weight!", sum(undone)::bigint as "undone!"
            from cause_day where regulator_id = any($1) and day between $2 and $3 group by 1, 2"#,
        ids,
        from,
        to,
        by.key()
    )
    .fetch_all(db)
    .await?;
    let mut sums = BTreeMap::<NaiveDate, Shares>::new();
    for row in rows {
        add(sums.entry(row.begin).or_default(), row.cause, row.operations, row.weight, row.undone);
    }
    let line = |begin: NaiveDate| Line {
        name: by.name(begin),
        href: None,
        shares: sums.get(&begin).copied().unwrap_or_default(),
    };
    Ok(by.all(from, to).into_iter().map(line).collect())
}

/// Sums of each of these regulators.
pub(in crate::pages) async fn by_regulator(
    db: &mut PgConnection,
    ids: &[i32],
    (from, to): (NaiveDate, NaiveDate),
) -> sqlx::Result<HashMap<i32, Shares>> {
    let rows = sqlx::query!(
        r#"select regulator_id, cause, sum(operations)::bigint as "operations!", sum(weight) as "weight!",
                sum(undone)::bigint as "undone!"
            from cause_day where regulator_id = any($1) and day between $2 and $3 group by 1, 2"#,
        ids,
        from,
        to
    )
    .fetch_all(db)
    .await?;
    let mut sums: HashMap<i32, Shares> = HashMap::new();
    for row in rows {
        add(sums.entry(row.regulator_id).or_default(), row.cause, row.operations, row.weight, row.undone);
    }
    Ok(sums)
}

/// Adds a stored sum; a cause that this program does not know is unexplained to it.
pub(in crate::pages) fn add(shares: &mut Shares, cause: i16, operations: i64, weight: f64, undone: i64) {
    let cause = self::cause(cause);
    shares.tally(cause, u64::try_from(operations).unwrap_or(0), weight, u64::try_from(undone).unwrap_or(0));
}

/// A cause as stored.
pub(in crate::pages) fn cause(stored: i16) -> Cause {
    usize::try_from(stored).ok().and_then(|i| Cause::ALL.get(i)).copied().unwrap_or(Cause::Unexplained)
}

/// How much of these regulators has been analysed.
pub(in crate::pages) async fn coverage(db: &mut PgConnection, ids: &[i32]) -> sqlx::Result<Coverage> {
    let row = sqlx::query!(
        r#"select count(*) as "analysed!", max(settled_until) as settled_until from service_life where regulator_id = any($1)"#,
        ids
    )
    .fetch_one(db)
    .await?;
    Ok(Coverage {
        regulators: ids.len(),
        analysed: usize::try_from(row.analysed).unwrap_or(0),
        settled_until: row.settled_until,
    })
}
