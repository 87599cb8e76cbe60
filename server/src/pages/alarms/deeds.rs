//! What people do to one alarm: acknowledge it, put it aside and take it up again, write something down.

use axum::{
    Form,
    extract::{Path, State},
    response::{IntoResponse, Redirect, Response},
};
use chrono::{TimeDelta, Utc};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{alarms as view, duration, words::NotRead};

use super::one;
use crate::{
    alarms::desk::{Deed, Hand, act},
    app::App,
    error::WebError,
    pages::notes::{self, About},
    people::{Role, SignedIn},
};

/// Longest reason, in characters.
const LONGEST_REASON: usize = 500;

/// Every field of every form; each form sends its own.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Typed {
    note: String,
    reason: String,
    length: String,
    other: String,
    text: String,
}

impl Typed {
    fn again(self) -> view::Typed {
        view::Typed {
            note: self.note,
            reason: self.reason,
            length: self.length,
            other: self.other,
            text: self.text,
        }
    }
}

/// A note that may be left out.
pub(super) fn note_of(text: &str) -> Result<Option<String>, String> {
    let text = notes::plain(text);
    match text.chars().count() {
        0 => Ok(None),
        n if n > notes::LONGEST => Err(format!(
            "The note has {n} characters; {} is the most. Shorten it and send it again.",
            notes::LONGEST
        )),
        _ => Ok(Some(text)),
    }
}

/// A reason, which may not.
fn reason_of(text: &str) -> Result<String, String> {
    let text = notes::plain(text);
    match text.chars().count() {
        0 => Err("Say why: whoever comes after you must know.".to_owned()),
        n if n > LONGEST_REASON => Err(format!(
            "The reason has {n} characters; {LONGEST_REASON} is the most. Shorten it and send it again."
        )),
        _ => Ok(text),
    }
}

/// For how long something is shelved: the other time, where one is typed, or the chosen one.
fn length_of(typed: &Typed, longest_s: i32) -> Result<TimeDelta, String> {
    let text = if typed.other.trim().is_empty() { typed.length.trim() } else { typed.other.trim() };
    let longest = duration::text(longest_s.into());
    let seconds = duration::seconds(text).map_err(|why| match why {
        NotRead::TwoWays => format!("“{text}” can be read in two ways; write it without the comma."),
        NotRead::Nonsense => format!("“{text}” is not a length of time; {}.", duration::FORMS),
    })?;
    if !(60.0..=f64::from(longest_s)).contains(&seconds) {
        let said = duration::text(seconds);
        return Err(format!(
            "{said} is not from 1\u{a0}min to {longest}, which is the most for this priority."
        ));
    }
    TimeDelta::try_milliseconds(whole(seconds * 1000.0)).ok_or_else(|| format!("At most {longest}."))
}

#[allow(clippy::cast_possible_truncation, reason = "below the longest time, and a float cast saturates")]
fn whole(value: f64) -> i64 {
    value as i64
}

fn number(text: &str) -> Result<i64, WebError> {
    text.parse().map_err(|_| WebError::NotFound(format!("alarm {text}")))
}

/// Does it, and leads back to the alarm with a word about what was done: `done`, or `not` where it had no meaning.
async fn deed(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    id: i64,
    (deed, why): (Deed, Option<&str>),
    (done, not): (&str, &str),
) -> Result<Response, WebError> {
    let hand = Hand { person: &signed_in.name, at: Utc::now(), why };
    let done = match act(db, id, deed, hand).await? {
        Some(Ok(())) => done,
        Some(Err(_)) => not,
        None => return Err(WebError::NotFound(format!("alarm {id}"))),
    };
    Ok(Redirect::to(&format!("/alarms/{id}?done={done}")).into_response())
}

pub(super) async fn acknowledge(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    match note_of(&typed.note) {
        Ok(note) => {
            deed(&mut db, &signed_in, id, (Deed::Acknowledge, note.as_deref()), ("acknowledged", "already"))
                .await
        }
        Err(why) => {
            one::refused(&mut db, &signed_in, id, typed.again(), (view::Deed::Acknowledge, why)).await
        }
    }
}

pub(super) async fn shelve(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    let longest_s = longest_on_the_shelf(&mut db, id).await?;
    let refused = match (reason_of(&typed.reason), length_of(&typed, longest_s)) {
        (Ok(reason), Ok(length)) => {
            let shelve = Deed::Shelve(Utc::now() + length);
            return deed(&mut db, &signed_in, id, (shelve, Some(&reason)), ("shelved", "unchanged")).await;
        }
        (Err(why), _) => (view::Deed::Shelve, why),
        (_, Err(why)) => (view::Deed::ShelveFor, why),
    };
    one::refused(&mut db, &signed_in, id, typed.again(), refused).await
}

/// Seconds, by the rule of its priority.
pub(super) async fn longest_on_the_shelf(db: &mut PgConnection, id: i64) -> Result<i32, WebError> {
    sqlx::query_scalar!(
        "select r.shelf_s from alarm a join alarm_rule r on r.priority = a.priority where a.id = $1",
        id
    )
    .fetch_optional(db)
    .await?
    .ok_or_else(|| WebError::NotFound(format!("alarm {id}")))
}

pub(super) async fn unshelve(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    deed(&mut db, &signed_in, number(&id)?, (Deed::Unshelve, None), ("unshelved", "unchanged")).await
}

pub(super) async fn take_out(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    match reason_of(&typed.reason) {
        Ok(reason) => {
            let out = (Deed::TakeOutOfService, Some(reason.as_str()));
            deed(&mut db, &signed_in, id, out, ("taken-out", "unchanged")).await
        }
        Err(why) => one::refused(&mut db, &signed_in, id, typed.again(), (view::Deed::TakeOut, why)).await,
    }
}

pub(super) async fn put_back(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    deed(&mut db, &signed_in, number(&id)?, (Deed::PutBack, None), ("put-back", "unchanged")).await
}

pub(super) async fn note(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    match notes::understood(&typed.text) {
        Ok(text) => {
            if !notes::add(&mut db, About::Alarm(id), &signed_in.name, &text).await? {
                return Err(WebError::NotFound(format!("alarm {id}")));
            }
            Ok(Redirect::to(&format!("/alarms/{id}?done=noted#h-notes")).into_response())
        }
        Err(why) => one::refused(&mut db, &signed_in, id, typed.again(), (view::Deed::Note, why)).await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_on_the_shelf_is_chosen_or_typed_and_kept_within_the_rule() {
        let length = |length: &str, other: &str| {
            let typed = Typed { length: length.into(), other: other.into(), ..Typed::default() };
            length_of(&typed, 3600).map(|l| l.num_seconds())
        };
        assert_eq!(length("900", ""), Ok(900));
        assert_eq!(length("900", " 45 min "), Ok(2700), "what is typed counts");
        assert_eq!(length("3600", ""), Ok(3600));
        for (chosen, typed) in [("", ""), ("900", "2 h"), ("900", "5 s"), ("900", "a while"), ("86400", "")] {
            assert!(length(chosen, typed).is_err(), "{chosen} {typed}");
        }
        assert!(length("900", "2 h").unwrap_err().contains("1\u{a0}h, which is the most"));
    }
}
