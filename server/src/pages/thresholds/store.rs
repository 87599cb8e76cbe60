//! Thresholds as they are stored.

use regulator::{
    Timestamp,
    conditions::{Condition, Parameter},
};
use sqlx::PgConnection;
use web::thresholds::{Change, Override, with_unit};

use super::place::Place;

/// Changes shown.
const LATEST: i64 = 50;

/// One value that is set.
#[derive(Debug)]
pub(super) struct Set {
    pub(super) condition: String,
    pub(super) parameter: String,
    scope_kind: String,
    scope_id: Option<i32>,
    place: Option<String>,
    value: f64,
}

impl Set {
    pub(super) fn shown(&self) -> Override {
        let scope = match self.scope_id {
            Some(id) => format!("{}:{id}", self.scope_kind),
            None => self.scope_kind.clone(),
        };
        Override { place: self.place.clone().unwrap_or_else(|| scope.clone()), scope, value: self.value }
    }
}

/// Everything that is set, widest scope first.
pub(super) async fn all(db: &mut PgConnection) -> sqlx::Result<Vec<Set>> {
    sqlx::query_as!(
        Set,
        "select t.condition, t.parameter, t.scope_kind, t.scope_id, p.name as place, t.value
         from threshold t
         left join threshold_place p on p.kind = t.scope_kind and p.id is not distinct from t.scope_id
         order by array_position(array['fleet', 'feeder', 'site', 'regulator'], t.scope_kind), p.name, t.id"
    )
    .fetch_all(db)
    .await
}

/// The value in force at a place.
pub(super) async fn in_force(
    db: &mut PgConnection,
    condition: Condition,
    parameter: &Parameter,
    place: Place,
) -> sqlx::Result<f64> {
    let set = sqlx::query_scalar!(
        "select value from threshold
         where condition = $1 and parameter = $2
           and (scope_kind = 'fleet' or (scope_kind = 'feeder' and scope_id = $3)
                or (scope_kind = 'site' and scope_id = $4) or (scope_kind = 'regulator' and scope_id = $5))
         order by array_position(array['fleet', 'feeder', 'site', 'regulator'], scope_kind) desc limit 1",
        condition.name(),
        parameter.name,
        place.feeder,
        place.site,
        place.regulator,
    )
    .fetch_optional(db)
    .await?;
    Ok(set.unwrap_or(parameter.default))
}

/// Sets or clears a value, and records the change; whether there was any.
pub(super) async fn put(
    db: &mut PgConnection,
    (condition, parameter): (Condition, &Parameter),
    place: Place,
    value: Option<f64>,
    (person_id, person): (i32, &str),
) -> sqlx::Result<bool> {
    let (kind, id) = (place.kind.name(), place.id());
    // Two people who change the same value at once must each leave a true "before".
    sqlx::query!("lock table threshold in share row exclusive mode").execute(&mut *db).await?;
    let old = sqlx::query_scalar!(
        "select value from threshold where condition = $1 and parameter = $2 and scope_kind = $3
           and scope_id is not distinct from $4",
        condition.name(),
        parameter.name,
        kind,
        id,
    )
    .fetch_optional(&mut *db)
    .await?;
    if old == value {
        return Ok(false);
    }
    match value {
        Some(value) => sqlx::query!(
            "insert into threshold (condition, parameter, scope_kind, scope_id, value) values ($1, $2, $3, $4, $5)
             on conflict (condition, parameter, scope_kind, scope_id) do update set value = excluded.value",
            condition.name(),
            parameter.name,
            kind,
            id,
            value,
        )
        .execute(&mut *db)
        .await?,
        None => sqlx::query!(
            "delete from threshold where condition = $1 and parameter = $2 and scope_kind = $3
               and scope_id is not distinct from $4",
            condition.name(),
            parameter.name,
            kind,
            id,
        )
        .execute(&mut *db)
        .await?,
    };
    sqlx::query!(
        "insert into threshold_change (person_id, person, condition, parameter, scope_kind, scope_id, old_value, new_value)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
        person_id,
        person,
        condition.name(),
        parameter.name,
        kind,
        id,
        old,
        value,
    )
    .execute(db)
    .await?;
    Ok(true)
}

/// The latest changes, of everything or of one parameter, newest first.
pub(super) async fn changes(
    db: &mut PgConnection,
    of: Option<(Condition, &Parameter)>,
) -> sqlx::Result<Vec<Change>> {
    struct Stored {
        at: Timestamp,
        person: String,
        condition: String,
        parameter: String,
        place: Option<String>,
        old_value: Option<f64>,
        new_value: Option<f64>,
    }
    let stored = sqlx::query_as!(
        Stored,
        "select c.at, c.person, c.condition, c.parameter, p.name as place, c.old_value, c.new_value
         from threshold_change c
         left join threshold_place p on p.kind = c.scope_kind and p.id is not distinct from c.scope_id
         where ($1::text is null or (c.condition = $1 and c.parameter = $2))
         order by c.id desc limit $3",
        of.map(|(condition, _)| condition.name()),
        of.map(|(_, parameter)| parameter.name),
        LATEST,
    )
    .fetch_all(db)
    .await?;
    let change = |s: Stored| {
        let condition = Condition::from_name(&s.condition);
        let parameter = condition.and_then(|c| c.parameter(&s.parameter));
        let unit = parameter.map_or("", |p| p.unit);
        Change {
            at: s.at,
            person: s.person,
            what: condition.zip(parameter).map_or_else(
                || format!("{}/{}", s.condition, s.parameter),
                |(c, p)| format!("{}: {}", c.title(), p.title),
            ),
            place: s.place.unwrap_or_else(|| "a place no longer in the inventory".to_owned()),
            old: s.old_value.map(|v| with_unit(v, unit)),
            new: s.new_value.map(|v| with_unit(v, unit)),
        }
    };
    Ok(stored.into_iter().map(change).collect())
}
