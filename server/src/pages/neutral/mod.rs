//! Neutral evidence of one regulator, for the desk to read to a crew: evidence, never permission; and the history of its
//! tap audit.

mod audit;
mod records;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::{
    Router,
    extract::{Path, State},
    response::Html,
    routing::get,
};
use chrono::Utc;
use chrono_tz::Tz;
use regulator::evidence::{NeutralEvidence, Records};
use web::{
    frame::Section,
    neutral::{Item, NeutralPage, Whose},
};

use super::{html, trend};
use crate::{app::App, error::WebError, inventory::Regulator, people::SignedIn, picture::Fleet};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/regulator/{id}/neutral", get(show)).route("/regulator/{id}/audit", get(audit::show))
}

/// One regulator in service, and what it is called.
struct Subject {
    regulator: Arc<Regulator>,
    whose: Whose,
    /// The others of its bank.
    others: Vec<(i32, String)>,
}

fn subject(fleet: &Fleet, id: i32) -> Result<Subject, WebError> {
    let unit = fleet
        .units()
        .iter()
        .find(|u| u.regulator.id == id)
        .ok_or_else(|| WebError::NotFound(format!("regulator {id} in service")))?;
    let r = &unit.regulator;
    let whose = Whose {
        id,
        name: trend::name(unit),
        site: r.site.name.clone(),
        site_id: r.site.id,
        place: format!("{} › {}", r.substation.name, r.feeder.name),
        zone: r.time_zone.parse().unwrap_or(Tz::UTC),
    };
    let others = fleet.at_site(r.site.id).into_iter();
    let others = others.filter(|u| u.regulator.bank.id == r.bank.id && u.regulator.id != id);
    let others = others.map(|u| (u.regulator.id, trend::name(u))).collect();
    Ok(Subject { regulator: Arc::clone(r), whose, others })
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
) -> Result<Html<String>, WebError> {
    let subject = app.picture.read(|fleet| subject(fleet, id))?;
    let found = records::find(&app, &subject.regulator, Utc::now()).await?;
    // Stated for the instant at which everything had been read.
    let made_at = Utc::now();
    let evidence = NeutralEvidence::gather(&Records {
        nameplate: &subject.regulator.nameplate,
        readings: &found.readings,
        audit: &found.audit,
        limits: &found.limits,
        now: made_at,
    });
    let zone = subject.whose.zone;
    let title = format!("Neutral evidence, {} {}", subject.whose.site, subject.whose.name);
    html(&NeutralPage {
        frame: signed_in.frame(title, Section::Board),
        made_at,
        items: evidence.items.iter().map(|item| Item::of(item, zone)).collect(),
        overall: evidence.overall,
        context: found.life.map(|life| life.item(made_at, zone)).into_iter().collect(),
        audit_basis: web::neutral::local_times(&found.audit_basis, zone),
        others: subject.others,
        whose: subject.whose,
    })
}
