//! Why the fleet, a substation, a feeder or a regulator tapped: shares of causes over time.

mod place;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    extract::{Query, State},
    response::{Html, Response},
    routing::get,
};
use chrono::{Days, NaiveDate, TimeDelta, Utc};
use regulator::causes::{Cause, Shares};
use serde::Deserialize;
use tower_http::compression::CompressionLayer;
use web::{
    causes::{Asked, CausesPage, Chart, Coverage, Line, Period},
    frame::Section,
};

use super::{
    csv::{Csv, decimal},
    html, life,
};
use crate::{app::App, error::WebError, people::SignedIn};
use place::Place;

/// Longest range at once.
const LONGEST: TimeDelta = TimeDelta::days(3 * 366);
/// Days shown unless others are asked for.
const USUAL: u64 = 30;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/causes", get(show))
        .route("/causes.csv", get(download))
        .layer(CompressionLayer::new())
}

/// What the address may say; empty values come from the form and mean the usual.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Said {
    place: String,
    by: String,
    from: String,
    to: String,
}

impl Said {
    fn understood(self, today: NaiveDate) -> Result<Asked, WebError> {
        let bad = |what: String| WebError::BadRequest(what);
        let day = |text: &str, usual: NaiveDate| match text {
            "" => Ok(usual),
            // Postgres knows no years beyond; neither does anyone's history.
            text => text
                .parse::<NaiveDate>()
                .ok()
                .filter(|day| day.to_string().len() == 10)
                .ok_or_else(|| bad(format!("“{text}” is no day; write it as in 2026-10-31."))),
        };
        let to = day(&self.to, today)?;
        let from = day(&self.from, to - Days::new(USUAL - 1))?;
        if from > to || to - from > LONGEST {
            return Err(bad(
                "The first day must not be after the last, nor three years before it.".to_owned()
            ));
        }
        let by = match self.by.as_str() {
            "" => Period::suiting((to - from).num_days()),
            key => Period::from_key(key)
                .ok_or_else(|| bad(format!("“{key}” is no period; there is day, week, month.")))?,
        };
        let place = if self.place.is_empty() { "fleet".to_owned() } else { self.place };
        Ok(Asked { place, by, from, to })
    }
}

/// What both the page and the file show.
struct Found {
    asked: Asked,
    place: Place,
    periods: Vec<Line>,
    below: Vec<Line>,
    coverage: Coverage,
}

async fn find(app: &App, said: Said) -> Result<Found, WebError> {
    let asked = said.understood(Utc::now().date_naive())?;
    let place = app.picture.read(|fleet| Place::find(fleet, &asked.place))?;
    let mut db = app.pool.acquire().await?;
    let between = (asked.from, asked.to);
    let periods = life::by_period(&mut db, &place.ids, asked.by, between).await?;
    let each = life::by_regulator(&mut db, &place.ids, between).await?;
    let below = place.below.iter().map(|below| Line {
        name: below.name.clone(),
        href: Some(asked.at(below.key.clone())),
        shares: below.ids.iter().filter_map(|id| each.get(id).copied()).sum(),
    });
    let mut below: Vec<_> = below.collect();
    below.sort_by_key(|line| std::cmp::Reverse(line.shares.total()));
    let coverage = life::coverage(&mut db, &place.ids).await?;
    Ok(Found { asked, place, periods, below, coverage })
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(said): Query<Said>,
) -> Result<Html<String>, WebError> {
    let Found { asked, place, periods, below, coverage } = find(&app, said).await?;
    let columns: Vec<_> = periods.iter().map(|line| (line.name.clone(), line.shares)).collect();
    html(&CausesPage {
        frame: signed_in.frame("Causes", Section::Causes),
        place: place.name,
        places: app.picture.read(|fleet| place::choices(fleet, &asked.place)),
        above: place.above.map(|(name, key)| (name, asked.at(key))),
        all: periods.iter().map(|line| line.shares).sum(),
        chart: Chart::draw(&columns),
        periods,
        below,
        below_kind: place.below_kind,
        coverage,
        asked,
    })
}

async fn download(
    _signed_in: SignedIn,
    State(app): State<App>,
    Query(said): Query<Said>,
) -> Result<Response, WebError> {
    let Found { asked, place, periods, .. } = find(&app, said).await?;
    let mut heads: Vec<String> =
        ["place", "period", "operations", "undone_within_5_min"].map(str::to_owned).to_vec();
    for cause in Cause::ALL {
        let name = cause.name();
        heads.extend([
            format!("{name}_operations"),
            format!("{name}_share_percent"),
            format!("{name}_confidence"),
        ]);
    }
    let mut csv = Csv::new(heads);
    for line in &periods {
        csv.line(fields(&place.name, &line.name, &line.shares));
    }
    let place = asked.place.replace(':', "-");
    csv.answer(&format!("causes-{place}-{}-{}.csv", asked.from, asked.to))
}

fn fields(place: &str, period: &str, shares: &Shares) -> Vec<String> {
    let mut fields =
        vec![place.to_owned(), period.to_owned(), shares.total().to_string(), shares.undone().to_string()];
    for &cause in Cause::ALL {
        fields.extend([
            shares.operations(cause).to_string(),
            decimal(shares.share(cause).map(|share| 100.0 * share), 1),
            decimal(shares.confidence(cause), 2),
        ]);
    }
    fields
}
