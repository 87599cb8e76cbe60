//! The open alarms in few lines.

use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};
use sqlx::PgConnection;
use web::alarms::{Group, Item, grouped};

/// Every open alarm that nothing holds, grouped.
pub(crate) async fn open(db: &mut PgConnection) -> sqlx::Result<Vec<Group>> {
    struct Stored {
        condition: String,
        priority: i16,
        raised_at: Timestamp,
        acknowledged: bool,
        substation_id: Option<i32>,
        substation: Option<String>,
    }
    let rows = sqlx::query_as!(
        Stored,
        r#"with behind as (
             -- an endpoint belongs to a substation if all that is behind it does
             select g.endpoint_id, min(f.substation_id) as substation_id
             from regulator g join bank b on b.id = g.bank_id join site s on s.id = b.site_id join feeder f on f.id = s.feeder_id
             where g.retired_at is null
             group by g.endpoint_id having count(distinct f.substation_id) = 1)
           select a.condition, a.priority, a.raised_at, a.acknowledged_at is not null as "acknowledged!",
                u.id as "substation_id?", u.name as "substation?"
           from alarm a
           left join alarm_point p on p.id = a.point_id
           left join regulator r on r.id = a.regulator_id
           left join bank b on b.id = r.bank_id
           left join site s on s.id = b.site_id
           left join feeder f on f.id = s.feeder_id
           left join behind on behind.endpoint_id = a.endpoint_id
           left join substation u on u.id = coalesce(a.substation_id, f.substation_id, behind.substation_id)
           where a.returned_at is null and not coalesce(p.held, false)"#
    )
    .fetch_all(db)
    .await?;
    let item = |row: Stored| {
        Some(Item {
            condition: Condition::from_name(&row.condition)?,
            priority: Priority::from_level(row.priority)?,
            substation: row.substation_id.zip(row.substation),
            acknowledged: row.acknowledged,
            raised_at: row.raised_at,
        })
    };
    let items: Vec<Item> = rows.into_iter().filter_map(item).collect();
    Ok(grouped(&items))
}
