//! What to service first: the ranking, one unit's contacts, the month on paper.

mod file;
mod gather;
mod month;
#[cfg(test)]
mod tests;
mod wear;

use std::collections::HashMap;

use axum::{
    Router,
    extract::{Query, State},
    response::{Html, Response},
    routing::get,
};
use chrono::{Datelike, Months, NaiveDate, Utc};
use serde::Deserialize;
use tower_http::compression::CompressionLayer;
use web::{
    board::{Choice, Place},
    frame::Section,
    maintenance::{Asked, Column, FIRST_ROWS, MaintenancePage},
};

use super::html;
use crate::{app::App, error::WebError, people::SignedIn, picture::Fleet};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/maintenance", get(show))
        .route("/maintenance.csv", get(download))
        .route("/maintenance/month/{month}", get(month::show))
        .route("/regulator/{id}/wear", get(wear::show))
        .layer(CompressionLayer::new())
}

/// What the address may say; empty values come from the form and mean "any".
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Said {
    sort: String,
    reverse: String,
    substation: String,
    feeder: String,
    all: String,
}

impl Said {
    fn understood(&self) -> Result<Asked, WebError> {
        let number = |text: &str, what: &str| match text {
            "" => Ok(None),
            text => text.parse::<i32>().map(Some).map_err(|_| {
                WebError::BadRequest(format!(
                    "“{text}” is no {what}. Choose from the list on the page Maintenance."
                ))
            }),
        };
        let sort = match self.sort.as_str() {
            "" => Column::default(),
            key => Column::from_key(key).ok_or_else(|| {
                let known: Vec<_> = Column::ALL.iter().map(|c| c.key()).collect();
                WebError::BadRequest(format!("“{key}” is no column; there is {}.", known.join(", ")))
            })?,
        };
        Ok(Asked {
            sort,
            reverse: self.reverse == "1",
            substation: number(&self.substation, "substation")?,
            feeder: number(&self.feeder, "feeder")?,
            all: self.all == "1",
        })
    }
}

/// Whether a place is asked for.
fn admits(asked: &Asked, place: &Place) -> bool {
    asked.substation.is_none_or(|id| place.substation_id == id)
        && asked.feeder.is_none_or(|id| place.feeder_id == id)
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(said): Query<Said>,
) -> Result<Html<String>, WebError> {
    let asked = said.understood()?;
    let now = Utc::now();
    let mut gathered = gather::rows(&app, &asked, now).await?;
    // Ends are forecast for what is shown; all of them are needed only where they make the order.
    if asked.sort == Column::End || asked.all {
        gathered.forecast(&app, None, now).await?;
    }
    let mut rows = gathered.rows();
    asked.sort(&mut rows);
    let total = rows.len();
    let analysed = rows.iter().filter(|row| row.dwell.is_some()).count();
    if !asked.all {
        rows.truncate(FIRST_ROWS);
        if asked.sort != Column::End {
            let shown = rows.iter().map(|row| row.id).collect();
            gathered.forecast(&app, Some(&shown), now).await?;
            let mut forecast: HashMap<i32, _> = gathered.rows_of(&shown);
            rows = rows.into_iter().map(|row| forecast.remove(&row.id).unwrap_or(row)).collect();
        }
    }
    let (substations, feeders) = app.picture.read(|fleet| choices(fleet, &asked));
    html(&MaintenancePage {
        frame: signed_in.frame("Maintenance", Section::Maintenance),
        rows,
        total,
        analysed,
        substations,
        feeders,
        month: first_of_month(now.date_naive()) - Months::new(1),
        assumptions: gathered.assumptions,
        now,
        asked,
    })
}

async fn download(
    _signed_in: SignedIn,
    State(app): State<App>,
    Query(said): Query<Said>,
) -> Result<Response, WebError> {
    let asked = said.understood()?;
    let now = Utc::now();
    let mut gathered = gather::rows(&app, &asked, now).await?;
    gathered.forecast(&app, None, now).await?;
    let mut rows = gathered.rows();
    asked.sort(&mut rows);
    file::of(&rows).answer(&format!("maintenance-{}.csv", now.format("%Y-%m-%d")))
}

fn first_of_month(day: NaiveDate) -> NaiveDate {
    day.with_day(1).unwrap_or(day)
}

type Choices = (Vec<Choice>, Vec<(String, Vec<Choice>)>);

/// Substations, and feeders by substation, for the form.
fn choices(fleet: &Fleet, asked: &Asked) -> Choices {
    let choice = |id: i32, title: &str, chosen: Option<i32>| Choice {
        value: id.to_string(),
        title: title.to_owned(),
        chosen: chosen == Some(id),
    };
    let mut feeders: std::collections::BTreeMap<_, std::collections::BTreeSet<_>> =
        std::collections::BTreeMap::new();
    for unit in fleet.units() {
        let place = &unit.row.place;
        feeders.entry(&place.substation).or_default().insert((&place.feeder, place.feeder_id));
    }
    let substations =
        fleet.substations().iter().map(|(name, id)| choice(*id, name, asked.substation)).collect();
    let feeders = feeders.into_iter().map(|(substation, feeders)| {
        (substation.clone(), feeders.into_iter().map(|(name, id)| choice(id, name, asked.feeder)).collect())
    });
    (substations, feeders.collect())
}
