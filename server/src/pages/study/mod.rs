//! The settings study: a regulator's recorded readings replayed with other settings.
//!
//! Everything is in the address, so that a study can be kept and shared. One is computed at a time, on a thread of its own; a few
//! wait, and others are told to come back.

mod asked;
mod compute;
mod desk;
mod downstream;
mod draw;
mod form;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::{
    Router,
    extract::{Query, State},
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::Utc;
use regulator::{Connection, Reading, control::ControlSettings};
use tower_http::compression::CompressionLayer;
use web::study::StudyPage;

use self::{
    asked::{Asked, Faults, SLOTS, Typed},
    compute::NotDone,
};
use super::{html, trend};
use crate::{app::App, error::WebError, feed, inventory::Regulator, people::SignedIn};

pub(in crate::pages) use asked::number;
pub(crate) use desk::Desk;

/// The most readings of a study: 31 days at 10 s.
const MOST: i64 = 31 * 8640;

pub(super) fn routes() -> Router<App> {
    Router::new().route("/study", get(show)).layer(CompressionLayer::new())
}

/// A regulator of the fleet, with its name on this page.
#[derive(Debug)]
struct Subject {
    regulator: Arc<Regulator>,
    name: String,
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(typed): Query<Typed>,
) -> Result<Response, WebError> {
    let mut faults = Faults::new();
    let (feeders, subject) =
        app.picture.read(|fleet| (form::feeders(fleet), form::chosen(fleet, &typed, &mut faults)));
    let zone =
        subject.as_ref().and_then(|s| s.regulator.time_zone.parse().ok()).unwrap_or(chrono_tz::Tz::UTC);
    let asked = asked::read(&typed, zone, Utc::now(), &mut faults);
    // What was typed is judged before anything is read; tap limits, which go with the unit, after.
    let any = ControlSettings { tap_min: -100, tap_max: 100, ..ControlSettings::common() };
    for slot in SLOTS {
        asked::settings(&typed, slot, any, 100, &mut faults);
    }
    let mut page = form::page(&signed_in, &typed, &asked, zone, feeders);
    let Some(subject) = subject.filter(|_| faults.is_empty()) else {
        return refused(page, &faults);
    };
    let Some(turn) = app.studies.turn().await else { return busy(page) };
    let (readings, cut) = readings(&app, &subject, &asked).await?;
    let mut below = vec![];
    for fed in app.picture.read(|fleet| downstream::of(fleet, &subject)) {
        let (readings, _) = self::readings(&app, &fed, &asked).await?;
        below.push(downstream::Below { subject: fed, readings });
    }
    let nameplate = subject.regulator.nameplate.clone();
    let job = {
        let (typed, nameplate) = (typed.clone(), nameplate.clone());
        move || {
            // Kept here, so that a reader who leaves does not free the desk before the work ends.
            let _turn = turn;
            compute::compute(&typed, &asked, &nameplate, &readings, &below)
        }
    };
    let done = tokio::task::spawn_blocking(job).await.map_err(|e| WebError::Internal(e.into()))?;
    match done {
        Ok(done) => {
            let context = draw::Context {
                whose: subject.name,
                site: subject.regulator.site.id,
                nameplate: &nameplate,
                between_lines: subject.regulator.connection != Connection::Wye,
                zone,
                typed: &typed,
                asked: &asked,
                cut,
                public_url: &app.config.public_url,
            };
            form::fill(&mut page, &done);
            page.result = Some(draw::answer(&context, &done));
            Ok(html(&page)?.into_response())
        }
        Err(NotDone::Faults(faults)) => refused(page, &faults),
        Err(NotDone::Nothing(why)) => {
            page.why_none = Some(why);
            Ok(html(&page)?.into_response())
        }
    }
}

/// The readings of the span, and where they were cut if there are too many.
async fn readings(
    app: &App,
    subject: &Subject,
    asked: &Asked,
) -> sqlx::Result<(Vec<Reading>, Option<regulator::Timestamp>)> {
    let mut connection = app.pool.acquire().await?;
    let span = (asked.from, asked.to);
    let mut readings = feed::between(&mut connection, subject.regulator.id, span, MOST + 1).await?;
    let most = usize::try_from(MOST).unwrap_or(usize::MAX);
    let cut = readings.get(most).map(|r| r.measured_at);
    readings.truncate(most);
    Ok((readings, cut))
}

/// The form again, each refusal beside its field.
fn refused(mut page: StudyPage, faults: &Faults) -> Result<Response, WebError> {
    form::refuse(&mut page, faults);
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::BAD_REQUEST };
    Ok((status, html(&page)?).into_response())
}

/// The form with word that others are before.
fn busy(mut page: StudyPage) -> Result<Response, WebError> {
    page.why_none = Some(
        "Other studies are being computed, and as many wait as may. Nothing is wrong with yours: send it again in a minute."
            .to_owned(),
    );
    let headers = HeaderMap::from_iter([(header::RETRY_AFTER, HeaderValue::from_static("30"))]);
    Ok((StatusCode::SERVICE_UNAVAILABLE, headers, html(&page)?).into_response())
}
