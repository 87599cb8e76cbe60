//! What a site's regulators did over a stretch of time: data for the charts, and the same as CSV.
//!
//! One query a regulator fetches the points, at the resolution that suits the length (see [`resolution`]).

mod csv;
mod history;
mod operations;
mod readings;
mod resolution;
mod rollups;
mod series;

use axum::{
    Json, Router,
    extract::{Path, Query, State},
    http::{HeaderValue, header},
    response::IntoResponse,
    routing::get,
};
use chrono::{TimeDelta, Utc};
use regulator::Timestamp;
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use tower_http::compression::CompressionLayer;
use web::site::{Range, Span};

use crate::{
    app::App,
    error::WebError,
    people::SignedIn,
    picture::{Fleet, Unit},
};

pub(super) use csv::field;
pub(crate) use history::{Occurrence, alarms};
pub(crate) use operations::{Operations, by_days};
pub(crate) use resolution::Resolution;
pub(crate) use series::Series;

/// Longest stretch that is shown at once.
const LONGEST: TimeDelta = TimeDelta::days(3 * 366);

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/site/{id}/trend.json", get(json))
        .route("/site/{id}/trend.csv", get(download))
        .layer(CompressionLayer::new())
}

/// The stretch that an address asks for.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Asked {
    span: Option<String>,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    /// Also half the length before and after, at the same resolution, so that panning finds something there.
    #[serde(default)]
    pad: Option<u8>,
}

impl Asked {
    /// The stretch, or what is wrong with the address.
    pub(crate) fn range(&self, now: Timestamp) -> Result<Range, WebError> {
        let bad = |what: String| WebError::BadRequest(what);
        if let Some(name) = &self.span {
            let span = Span::from_name(name).ok_or_else(|| {
                let known: Vec<_> = Span::ALL.iter().map(|s| s.name).collect();
                bad(format!("The address asks for span={name}; there is {}.", known.join(", ")))
            })?;
            return Ok(Range::ending(span, now));
        }
        let (from, to) = match (self.from, self.to) {
            (None, None) => return Ok(Range::ending(Span::usual(), now)),
            (Some(from), Some(to)) => (from, to),
            _ => return Err(bad("The address must name both “from” and “to”, or neither.".to_owned())),
        };
        if from >= to {
            return Err(bad("The address asks for a range that ends before it begins.".to_owned()));
        }
        if to - from > LONGEST {
            return Err(bad("The address asks for more than three years at once; ask for less.".to_owned()));
        }
        Ok(Range { from, to, span: None })
    }
}

/// The facts about one regulator that its trend needs.
#[derive(Debug, Clone)]
pub(crate) struct Subject {
    pub(crate) id: i32,
    pub(crate) name: String,
    pub(crate) band: Option<(f64, f64)>,
    pub(crate) base_v: f64,
    pub(crate) endpoint_id: i32,
    poll_interval_s: f64,
    modulus: u64,
}

impl Subject {
    fn of(unit: &Unit) -> Self {
        use regulator::Quantity::{Bandwidth, SetVoltage};
        let settings = unit.latest.as_ref().and_then(|l| l.good(SetVoltage).zip(l.good(Bandwidth)));
        let r = &unit.regulator;
        Self {
            id: r.id,
            name: name(unit),
            band: settings.map(|(set, width)| (set - width / 2.0, set + width / 2.0)),
            base_v: r.nameplate.voltage_base_v,
            endpoint_id: r.endpoint_id,
            poll_interval_s: r.nameplate.poll_interval_s,
            modulus: r.nameplate.counter_modulus,
        }
    }
}

/// Phase, with the bank where the site has several.
pub(crate) fn name(unit: &Unit) -> String {
    let place = &unit.row.place;
    if place.banks_at_site > 1 {
        format!("{} {}", place.bank, place.phase)
    } else {
        format!("Phase {}", place.phase)
    }
}

/// The regulators of a site and its zone.
pub(crate) fn subjects(fleet: &Fleet, site: i32) -> Result<(Vec<Subject>, chrono_tz::Tz), WebError> {
    let units = fleet.at_site(site);
    let first = units
        .first()
        .ok_or_else(|| WebError::NotFound(format!("site {site} with a regulator in service")))?;
    let zone = first.regulator.time_zone.parse().unwrap_or(chrono_tz::Tz::UTC);
    Ok((units.into_iter().map(Subject::of).collect(), zone))
}

/// One regulator's trend.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trend {
    pub(crate) series: Series,
    pub(crate) operations: Operations,
}

/// The trend of one regulator from `from` up to `to`.
///
/// # Errors
/// When the database cannot be asked.
pub(crate) async fn load(
    connection: &mut PgConnection,
    subject: &Subject,
    span: (Timestamp, Timestamp),
    resolution: Resolution,
    by_days: bool,
) -> sqlx::Result<Trend> {
    let series = match resolution {
        Resolution::Readings => readings::load(connection, subject.id, span, subject.poll_interval_s).await?,
        _ => rollups::load(connection, subject.id, span, resolution).await?,
    };
    let operations = operations::load(connection, subject.id, subject.modulus, span, by_days).await?;
    Ok(Trend { series, operations })
}

/// Fetches and encodes one trend; the time it took and its points.
///
/// # Errors
/// When the database cannot be asked.
pub(crate) async fn measure(
    connection: &mut PgConnection,
    regulator: i32,
    (from, to): (Timestamp, Timestamp),
) -> sqlx::Result<(std::time::Duration, usize)> {
    let subject = Subject {
        id: regulator,
        name: String::new(),
        band: None,
        base_v: 120.0,
        endpoint_id: 0,
        poll_interval_s: 10.0,
        modulus: 1 << 32,
    };
    let started = std::time::Instant::now();
    let length = to - from;
    let trend = load(connection, &subject, (from, to), Resolution::of(length), by_days(length)).await?;
    let encoded = serde_json::to_vec(&trend.series).unwrap_or_default();
    let took = started.elapsed();
    drop(encoded);
    Ok((took, trend.series.t.len()))
}

/// A tap as a column holds it.
#[allow(clippy::cast_precision_loss, reason = "taps are small whole numbers")]
const fn tap(tap: i32) -> f32 {
    tap as f32
}

/// What the charts are drawn from.
#[derive(Debug, Serialize)]
struct Data {
    from: i64,
    to: i64,
    zone: &'static str,
    resolution: String,
    /// Operations are counted by days, else by hours.
    by_days: bool,
    regulators: Vec<Drawn>,
    alarms: Vec<Occurrence>,
}

#[derive(Debug, Serialize)]
struct Drawn {
    id: i32,
    name: String,
    band: Option<(f64, f64)>,
    base_v: f64,
    series: Series,
    operations: Operations,
}

async fn json(
    _signed_in: SignedIn,
    State(app): State<App>,
    Path(site): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<impl IntoResponse, WebError> {
    let now = Utc::now();
    let range = asked.range(now)?;
    let (subjects, zone) = app.picture.read(|fleet| subjects(fleet, site))?;
    let margin = if asked.pad == Some(1) { range.length() / 2 } else { TimeDelta::zero() };
    let (from, to) = (range.from - margin, range.to + margin);
    let resolution = Resolution::of(range.length());
    let by_days = by_days(range.length());
    let mut connection = app.pool.acquire().await?;
    let alarms = alarms(&mut connection, &subjects, (from, to)).await?;
    let mut regulators = Vec::with_capacity(subjects.len());
    for subject in subjects {
        let trend = load(&mut connection, &subject, (from, to), resolution, by_days).await?;
        regulators.push(Drawn {
            id: subject.id,
            name: subject.name,
            band: subject.band,
            base_v: subject.base_v,
            series: trend.series,
            operations: trend.operations,
        });
    }
    let data = Data {
        from: range.from.timestamp_millis(),
        to: range.to.timestamp_millis(),
        zone: zone.name(),
        resolution: resolution.words(),
        by_days,
        regulators,
        alarms,
    };
    Ok(([(header::CACHE_CONTROL, HeaderValue::from_static("no-store"))], Json(data)))
}

async fn download(
    _signed_in: SignedIn,
    State(app): State<App>,
    Path(site): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<impl IntoResponse, WebError> {
    let range = asked.range(Utc::now())?;
    let (subjects, zone) = app.picture.read(|fleet| subjects(fleet, site))?;
    let resolution = Resolution::of(range.length());
    let mut connection = app.pool.acquire().await?;
    let mut text = csv::head(resolution);
    for subject in subjects {
        let trend = load(&mut connection, &subject, (range.from, range.to), resolution, false).await?;
        csv::write(&mut text, &subject.name, &trend.series, zone);
    }
    let name = format!("attachment; filename=\"site-{site}-{}.csv\"", range.from.format("%Y%m%dT%H%M%SZ"));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8")),
        (
            header::CONTENT_DISPOSITION,
            HeaderValue::try_from(name).map_err(anyhow::Error::new).map_err(WebError::Internal)?,
        ),
    ];
    Ok((headers, text))
}

#[cfg(test)]
mod tests;
