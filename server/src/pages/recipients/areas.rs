//! Areas: the fleet, substations, feeders.

use sqlx::PgConnection;

/// An area that alarms, rotas and recipients can be of.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Area {
    pub(in crate::pages) kind: String,
    pub(in crate::pages) id: Option<i32>,
    pub(in crate::pages) name: String,
}

impl Area {
    /// As forms carry it.
    pub(in crate::pages) fn value(&self) -> String {
        value(&self.kind, self.id)
    }
}

/// An area as forms carry it.
pub(in crate::pages) fn value(kind: &str, id: Option<i32>) -> String {
    id.map_or_else(|| kind.to_owned(), |id| format!("{kind}:{id}"))
}

/// Every area, widest first.
pub(in crate::pages) async fn areas(db: &mut PgConnection) -> sqlx::Result<Vec<Area>> {
    sqlx::query_as!(
        Area,
        r#"select kind as "kind!", id, name as "name!" from (
             select 1 as width, 'fleet' as kind, null::integer as id, 'Whole fleet' as name
             union all select 2, 'substation', id, 'Substation ' || name from substation
             union all select 3, 'feeder', f.id, u.name || ' › ' || f.name
                 from feeder f join substation u on u.id = f.substation_id) a
           order by width, name, id"#
    )
    .fetch_all(db)
    .await
}
