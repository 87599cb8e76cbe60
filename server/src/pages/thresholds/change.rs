//! Setting and clearing a threshold.

use axum::{
    Form,
    extract::{Path, State},
    response::{IntoResponse, Redirect, Response},
};
use regulator::conditions::{Condition, Parameter};
use serde::Deserialize;
use sqlx::{Acquire, PgConnection};
use web::{
    duration,
    thresholds::{Refusal, range, with_unit},
    words::{self, NotRead},
};

use super::{named, place::Place, refused, store};
use crate::{
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

/// What the form carries.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Typed {
    pub(super) scope: String,
    pub(super) value: String,
    act: String,
}

pub(super) async fn change(
    signed_in: SignedIn,
    State(app): State<App>,
    Path((condition, parameter)): Path<(String, String)>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let which = named(&condition, &parameter)?;
    let mut db = app.pool.acquire().await?;
    let mut tx = db.begin().await?;
    let (place, value) = match understood(&mut tx, which, &typed).await? {
        Ok(understood) => understood,
        Err(why) => return refused(&mut tx, &signed_in, which, typed, why).await,
    };
    store::put(&mut tx, which, place, value, (signed_in.person_id, &signed_in.name)).await?;
    tx.commit().await?;
    let done = if value.is_some() { "set" } else { "cleared" };
    Ok(Redirect::to(&format!("/thresholds/{condition}/{parameter}?done={done}")).into_response())
}

/// Place and value, or why they cannot be.
async fn understood(
    db: &mut PgConnection,
    (condition, parameter): (Condition, &'static Parameter),
    typed: &Typed,
) -> sqlx::Result<Result<(Place, Option<f64>), Refusal>> {
    let Some(place) = Place::find(db, &typed.scope).await? else {
        let why = "The place is no longer in the inventory; choose one from the list.";
        return Ok(Err(Refusal::Place(why.to_owned())));
    };
    if typed.act == "clear" {
        return Ok(Ok((place, None)));
    }
    if !place.kind.fits(condition.scope()) {
        return Ok(Err(Refusal::Place(format!(
            "“{}” cannot be set for one {}; choose a wider place.",
            condition.title(),
            place.kind.name()
        ))));
    }
    let value = match read(&typed.value, parameter) {
        Ok(value) => value,
        Err(why) => return Ok(Err(Refusal::Value(why))),
    };
    let in_order = in_order(db, condition, parameter, place, value).await?;
    Ok(in_order.map(|()| (place, Some(value))).map_err(Refusal::Value))
}

/// The value that was typed, or why it is none.
pub(in crate::pages) fn read(text: &str, parameter: &Parameter) -> Result<f64, String> {
    let text = text.trim();
    let is_duration = parameter.unit == "s";
    let value = if is_duration { duration::seconds(text) } else { words::number(text) };
    let range = range(parameter);
    match value {
        Ok(value) if (parameter.min..=parameter.max).contains(&value) => Ok(value),
        Ok(value) => {
            let (value, what) =
                (with_unit(value, parameter.unit), if is_duration { "one" } else { "a number" });
            Err(format!("{value} is outside what is accepted; give {what} from {range}."))
        }
        Err(NotRead::TwoWays) => {
            Err(format!("“{text}” can be read in two ways; write it without the comma, from {range}."))
        }
        Err(NotRead::Nonsense) if is_duration => {
            Err(format!("“{text}” is not a length of time; give one from {range}, {}.", duration::FORMS))
        }
        Err(NotRead::Nonsense) => {
            Err(format!("“{text}” is not a number; give one from {range}, without its unit."))
        }
    }
}

/// A lowest value must stay below the highest one of the same condition, and the other way round.
async fn in_order(
    db: &mut PgConnection,
    condition: Condition,
    parameter: &Parameter,
    place: Place,
    value: f64,
) -> sqlx::Result<Result<(), String>> {
    let (other, is_low) = match parameter.name {
        "low_v" => ("high_v", true),
        "high_v" => ("low_v", false),
        _ => return Ok(Ok(())),
    };
    let Some(other) = condition.parameter(other) else { return Ok(Ok(())) };
    let present = store::in_force(db, condition, other, place).await?;
    let in_order = if is_low { value < present } else { value > present };
    Ok(if in_order {
        Ok(())
    } else {
        let must = if is_low { "below" } else { "above" };
        let (value, present) = (with_unit(value, parameter.unit), with_unit(present, other.unit));
        Err(format!("{value} must be {must} “{}”, which is {present} there; change that first.", other.title))
    })
}
