//! Who is on call, in a line.

use std::collections::HashMap;

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use chrono_tz::Tz;
use oncall::rota::{LevelNumber, PersonId, Rota, Turn};

use super::Stored;

/// Turns looked ahead for the moment at which another person takes over.
const AHEAD: usize = 8;

/// A line, and until when it holds.
pub(super) struct Said {
    pub(super) shown: web::frame::OnCall,
    pub(super) until: Option<DateTime<Utc>>,
}

/// Who is on call in a rota's area.
pub(super) fn said(stored: &Stored, now: DateTime<Utc>, name: &impl Fn(i32) -> Option<String>) -> Said {
    let rota = &stored.kept.rota;
    let levels: Vec<Share> = (1..=rota.level_count()).map(|level| Share::of(rota, level, now)).collect();
    let word = |person: Option<PersonId>| named(person, name);
    // The first level that somebody is at is who will be called.
    let first = levels.iter().find(|share| share.person.is_some()).or(levels.first());
    let line = match first {
        None => "nobody, the rota has no levels yet".to_owned(),
        Some(share) => share.line(rota.zone, now, levels.len() > 1, &word),
    };
    Said {
        shown: web::frame::OnCall {
            href: format!("/rotas/{}", stored.id),
            area: stored.area.clone(),
            who: word(first.and_then(|share| share.person)),
            line,
        },
        until: levels.iter().filter_map(|share| share.next.map(|turn| turn.from)).min(),
    }
}

/// The line alone.
pub(crate) fn line(stored: &Stored, now: DateTime<Utc>, names: &HashMap<i32, String>) -> String {
    said(stored, now, &|id| names.get(&id).cloned()).shown.line
}

fn named(person: Option<PersonId>, name: &impl Fn(i32) -> Option<String>) -> String {
    match person {
        None => "nobody".to_owned(),
        Some(PersonId(id)) => name(id).unwrap_or_else(|| format!("person {id}")),
    }
}

/// Who is on call at a level, and the turn at which somebody else is.
struct Share {
    level: LevelNumber,
    person: Option<PersonId>,
    next: Option<Turn>,
}

impl Share {
    fn of(rota: &Rota, level: LevelNumber, now: DateTime<Utc>) -> Self {
        let turn = rota.turn_at(level, now);
        let person = turn.and_then(|turn| turn.person);
        let mut next = turn;
        for _ in 0..AHEAD {
            next = next.and_then(|turn| rota.turn_at(level, turn.to));
            if next.is_none_or(|turn| turn.person != person) {
                break;
            }
        }
        Self { level, person, next: next.filter(|turn| turn.person != person) }
    }

    fn line(
        &self,
        zone: Tz,
        now: DateTime<Utc>,
        several: bool,
        word: &impl Fn(Option<PersonId>) -> String,
    ) -> String {
        let who = word(self.person);
        let level =
            if several && self.person.is_some() { format!(" (level {})", self.level) } else { String::new() };
        match self.next {
            None => format!("{who}{level}"),
            Some(next) => {
                format!("{who}{level} until {}, then {}", hour(zone, now, next.from), word(next.person))
            }
        }
    }
}

/// An hour as people say it: with the day of the week within six days, else with the date.
pub(crate) fn hour(zone: Tz, now: DateTime<Utc>, at: DateTime<Utc>) -> String {
    let (here, there) = (now.with_timezone(&zone), at.with_timezone(&zone));
    let format = if here.date_naive() == there.date_naive() {
        "%H:%M"
    } else if (at - now).abs() < TimeDelta::days(6) {
        "%a %H:%M"
    } else if here.year() == there.year() {
        "%a %-d %b %H:%M"
    } else {
        "%-d %b %Y %H:%M"
    };
    there.format(format).to_string()
}
