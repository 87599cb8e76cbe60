//! The page of how a person is reached.

use chrono::{DateTime, TimeDelta, Utc};
use oncall::rota::PersonId;
use regulator::conditions::Priority;
use sqlx::PgConnection;
use web::{
    frame::Section,
    reach::{Calendar, OwnTurn, ReachPage},
};

use super::{form, store};
use crate::{
    on_call::{self, Stored},
    pages::{recipients::TypedWays, rotas::zones},
    people::SignedIn,
};

/// Turns shown.
const TURNS: usize = 6;
/// How far ahead they are looked for, days.
const AHEAD_D: i64 = 366;

pub(super) async fn page(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    person: &store::Person,
    now: DateTime<Utc>,
) -> sqlx::Result<ReachPage> {
    let stored = store::find(db, person.id).await?;
    let zones = zones(db).await?;
    let usual_zone = zones.first().map_or("UTC", String::as_str);
    let own = person.id == signed_in.person_id;
    let area = stored.as_ref().map_or("fleet", |s| &s.area);
    let least = stored.as_ref().map_or(Priority::High, |s| s.least).title();
    let (areas, priorities) = form::choices(db, area, least).await?;
    let ways = match &stored {
        Some(stored) => stored.ways.clone(),
        // offered, and stored when saved
        None => TypedWays { email: person.email.clone(), ..TypedWays::default() },
    };
    let there = stored.as_ref().map(|s| s.ways.there()).unwrap_or_default();
    let title = if own { "How I am reached".to_owned() } else { format!("How {} is reached", person.name) };
    let section = if own { Section::Reach } else { Section::People };
    Ok(ReachPage {
        frame: signed_in.frame(title, section),
        id: person.id,
        name: person.name.clone(),
        own,
        ways: ways.shown(
            stored.as_ref().is_some_and(|s| s.has_secret),
            stored.as_ref().is_some_and(|s| s.has_text_secret),
        ),
        there,
        old_until: stored
            .as_ref()
            .and_then(|s| s.old_until)
            .map(|at| at.format("%Y-%m-%d %H:%M UTC").to_string()),
        standing: stored.as_ref().is_some_and(|s| s.standing),
        areas,
        priorities,
        quiet: form::shown(stored.as_ref().and_then(|s| s.quiet.as_ref()), usual_zone),
        zones,
        error: None,
        secrets: Vec::new(),
        tried: Vec::new(),
        calendar: Calendar { exists: stored.as_ref().is_some_and(|s| s.has_calendar), address: None },
        turns: turns(&on_call::all(db).await?, person.id, now),
    })
}

fn turns(rotas: &[Stored], person: i32, now: DateTime<Utc>) -> Vec<OwnTurn> {
    let mut found = Vec::new();
    for stored in rotas {
        let rota = &stored.kept.rota;
        let at = |at: DateTime<Utc>| at.with_timezone(&rota.zone).format("%a %-d %b %Y %H:%M").to_string();
        for level in 1..=rota.level_count() {
            let ahead = rota.turns(level, now, now + TimeDelta::days(AHEAD_D));
            let own = ahead.into_iter().filter(|t| t.person == Some(PersonId(person))).take(TURNS);
            found.extend(own.map(|turn| {
                let shown = OwnTurn {
                    href: format!("/rotas/{}", stored.id),
                    area: stored.area.clone(),
                    level,
                    from: at(turn.from),
                    to: at(turn.to),
                    now: turn.from <= now,
                };
                (turn.from, shown)
            }));
        }
    }
    found.sort_by_key(|(from, _)| *from);
    found.into_iter().take(TURNS).map(|(_, turn)| turn).collect()
}
