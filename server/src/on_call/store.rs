//! Rotas as they are stored.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use oncall::rota::Rota;
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;

/// A rota and what goes with it that reckoning does not need: the column `rota`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Who, when.
    #[serde(flatten)]
    pub rota: Rota,
    /// What the holidays are called.
    #[serde(default)]
    pub holiday_names: BTreeMap<NaiveDate, String>,
}

impl Kept {
    /// What a holiday is called; empty when nobody has said.
    #[must_use]
    pub fn holiday_name(&self, date: NaiveDate) -> &str {
        self.holiday_names.get(&date).map_or("", String::as_str)
    }
}

/// How wide an area is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum AreaKind {
    /// Everything.
    Fleet,
    /// A substation with its feeders.
    Substation,
    /// One feeder.
    Feeder,
}

impl AreaKind {
    /// Its name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fleet => "fleet",
            Self::Substation => "substation",
            Self::Feeder => "feeder",
        }
    }

    /// The kind of a name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Fleet, Self::Substation, Self::Feeder].into_iter().find(|kind| kind.name() == name)
    }
}

/// One rota.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// Its row.
    pub id: i32,
    /// What it is called.
    pub name: String,
    /// How wide its area is.
    pub kind: AreaKind,
    /// The substation or feeder; none for the fleet.
    pub area_id: Option<i32>,
    /// The area, in words.
    pub area: String,
    /// Counts changes.
    pub version: i32,
    /// The rota itself.
    pub kept: Kept,
}

struct Row {
    id: i32,
    name: String,
    area_kind: String,
    area_id: Option<i32>,
    area: Option<String>,
    version: i32,
    rota: serde_json::Value,
}

impl TryFrom<Row> for Stored {
    type Error = sqlx::Error;

    fn try_from(row: Row) -> Result<Self, sqlx::Error> {
        let decode =
            |e: serde_json::Error| sqlx::Error::ColumnDecode { index: "rota".into(), source: Box::new(e) };
        let kind = AreaKind::from_name(&row.area_kind).unwrap_or(AreaKind::Fleet);
        Ok(Self {
            id: row.id,
            name: row.name,
            kind,
            area_id: row.area_id,
            area: row.area.unwrap_or_else(|| match row.area_id {
                Some(id) => format!("{} {id}, no longer in the inventory", row.area_kind),
                None => "Whole fleet".to_owned(),
            }),
            version: row.version,
            kept: serde_json::from_value(row.rota).map_err(decode)?,
        })
    }
}

/// Every rota, widest area first. One that cannot be read is left out, and said in the log: it must not silence the others.
pub(crate) async fn all(db: &mut PgConnection) -> sqlx::Result<Vec<Stored>> {
    let rows = sqlx::query_as!(
        Row,
        r#"select r.id, r.name, r.area_kind, r.area_id, r.version, r.rota,
             case r.area_kind when 'substation' then 'Substation ' || u.name when 'feeder' then fu.name || ' › ' || f.name end as area
           from rota r
           left join substation u on r.area_kind = 'substation' and u.id = r.area_id
           left join feeder f on r.area_kind = 'feeder' and f.id = r.area_id
           left join substation fu on fu.id = f.substation_id
           order by array_position(array['fleet', 'substation', 'feeder'], r.area_kind), 7, r.id"#
    )
    .fetch_all(db)
    .await?;
    let read = |row: Row| {
        let id = row.id;
        Stored::try_from(row)
            .inspect_err(|error| tracing::error!(rota = id, %error, "a rota cannot be read"))
            .ok()
    };
    Ok(rows.into_iter().filter_map(read).collect())
}

/// One rota.
pub(crate) async fn find(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Stored>> {
    Ok(all(db).await?.into_iter().find(|rota| rota.id == id))
}

/// Somebody who can be on call.
#[derive(Debug, Clone)]
pub(crate) struct Named {
    pub(crate) id: i32,
    pub(crate) name: String,
    pub(crate) disabled: bool,
}

/// Everybody, by name.
pub(crate) async fn names(db: &mut PgConnection) -> sqlx::Result<Vec<Named>> {
    sqlx::query_as!(
        Named,
        r#"select id, name, disabled_at is not null as "disabled!" from person order by lower(name), id"#
    )
    .fetch_all(db)
    .await
}

/// How many messages were given up and not dealt with; counted up to a hundred.
pub(super) async fn undelivered(db: &mut PgConnection) -> sqlx::Result<u32> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "count!" from
             (select from notification where state = 'given_up' and dismissed_at is null limit 100) n"#
    )
    .fetch_one(db)
    .await?;
    Ok(u32::try_from(count).unwrap_or(0))
}
