//! One feeder: its regulators as they are now, from memory, and what their settings show.

mod now;
mod order;
mod review;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    extract::{Path, State},
    response::Html,
    routing::get,
};
use chrono::Utc;
use regulator::Quantity;
use web::{feeder::FeederPage, frame::Section};

use super::html;
use crate::{app::App, detection::Thresholds, error::WebError, people::SignedIn, picture::Unit};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/feeder/{id}", get(show))
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
) -> Result<Html<String>, WebError> {
    let clock = Utc::now();
    let (units, banners) = app.picture.read(|fleet| {
        let of_it = fleet.units().iter().filter(|u| u.regulator.feeder.id == id);
        (of_it.cloned().collect::<Vec<Unit>>(), fleet.banners.clone())
    });
    let units = order::from_substation(units);
    let Some(first) = units.first().map(|u| u.regulator.clone()) else {
        return Err(WebError::NotFound(format!("feeder {id} with a regulator in service")));
    };
    let known = known(&app, &units).await;
    let (thresholds, peaks) = match known {
        Ok(known) => known,
        // The present values are in memory; the banner tells why there is no more.
        Err(error) if crate::error::is_away(&error) => Default::default(),
        Err(error) => return Err(error.into()),
    };
    let reviewed = review::review(&units, &thresholds, &peaks);
    let reports = |u: &Unit, q| u.latest.as_ref().is_some_and(|l| l.value(q).is_some());
    let distortion = [Quantity::VoltageDistortion, Quantity::CurrentDistortion];
    html(&FeederPage {
        frame: signed_in.frame(format!("{}, {}", first.feeder.name, first.substation.name), Section::Board),
        banners,
        name: first.feeder.name.clone(),
        substation: first.substation.name.clone(),
        substation_id: first.substation.id,
        sites: now::sites(&units, clock),
        findings: reviewed,
        standard: review::standard_words(&thresholds, &first),
        distortion: units.iter().any(|u| distortion.iter().any(|&q| reports(u, q))),
        peak_note: review::peak_note(&peaks),
    })
}

async fn known(app: &App, units: &[Unit]) -> sqlx::Result<(Thresholds, review::Peaks)> {
    let mut db = app.pool.acquire().await?;
    let ids: Vec<i32> = units.iter().map(|u| u.regulator.id).collect();
    Ok((Thresholds::load(&mut db).await?, review::peaks(&mut db, &ids).await?))
}
