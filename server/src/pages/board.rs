//! The board: every regulator, most urgent first, straight from memory.

use axum::{
    Router,
    extract::{Query, State},
    response::{Html, IntoResponse, Response},
    routing::get,
};
use chrono::Utc;
use regulator::{
    Timestamp,
    conditions::{Condition, Scope},
};
use serde::Deserialize;
use tower_http::compression::CompressionLayer;
use web::{
    board::{self, Board, Choice, Filter, View},
    frame::{Frame, Section},
};

use crate::{app::App, error::WebError, people::SignedIn, picture::Fleet};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/", get(show)).route("/flood", get(flood)).layer(CompressionLayer::new())
}

/// The panel of a flood alone, for the live script; empty when there is none.
async fn flood(_signed_in: SignedIn, State(app): State<App>) -> Result<Response, WebError> {
    let Some(flood) = app.picture.read(|fleet| fleet.flood.clone()) else {
        return Ok([(KEY, String::new())].into_response());
    };
    Ok(([(KEY, flood.key())], super::html(&flood)?).into_response())
}

/// Header that carries the panel's key.
const KEY: &str = "x-flood";

/// What the address may say; empty values come from a form and mean "any".
#[derive(Debug, Default, Deserialize)]
struct Asked {
    #[serde(default)]
    q: String,
    #[serde(default)]
    state: String,
    #[serde(default)]
    substation: String,
    #[serde(default)]
    condition: String,
    #[serde(default)]
    view: String,
}

impl Asked {
    /// The filter, and a word about what was not understood.
    fn understood(self) -> (Filter, Option<String>) {
        let mut unknown = Vec::new();
        let filter = Filter {
            text: self.q.trim().to_owned(),
            state: one(&self.state, "state", board::State::from_key, &mut unknown),
            substation: one(&self.substation, "substation", |id| id.parse().ok(), &mut unknown),
            condition: one(&self.condition, "condition", Condition::from_name, &mut unknown),
            view: one(&self.view, "view", view, &mut unknown).unwrap_or_default(),
        };
        let notice = (!unknown.is_empty()).then(|| {
            format!(
                "The address asks for {}, which this board does not know; it was left out.",
                unknown.join(" and ")
            )
        });
        (filter, notice)
    }
}

fn one<T>(
    text: &str,
    what: &str,
    read: impl FnOnce(&str) -> Option<T>,
    unknown: &mut Vec<String>,
) -> Option<T> {
    if text.is_empty() {
        return None;
    }
    let found = read(text);
    if found.is_none() {
        unknown.push(format!("{what} “{text}”"));
    }
    found
}

fn view(key: &str) -> Option<View> {
    [View::Urgent, View::Place].into_iter().find(|v| v.key() == key)
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, WebError> {
    let (filter, notice) = asked.understood();
    let frame = Frame { notice, ..signed_in.frame("Board", Section::Board) };
    // The rows are shared, so the lock is held only while they are picked; the text is made after.
    let board = app.picture.read(|fleet| page(fleet, frame, filter, Utc::now()));
    super::html(&board)
}

/// The page for a fleet.
pub(crate) fn page(fleet: &Fleet, frame: Frame, filter: Filter, now: Timestamp) -> Board {
    let all = fleet.rows();
    let tally = board::tally(&all, &filter);
    let count = all.len();
    let rows: Vec<_> = all.into_iter().filter(|row| filter.admits(row)).collect();
    Board {
        frame,
        banners: fleet.banners.clone(),
        flood: fleet.flood.clone(),
        tally,
        substations: substations(fleet, &filter),
        conditions: conditions(&filter),
        shown: rows.len(),
        fleet: count,
        groups: board::arranged(rows, filter.view),
        filter,
        version: format!("{}-{}", fleet.epoch, fleet.version),
        now,
    }
}

fn substations(fleet: &Fleet, filter: &Filter) -> Vec<Choice> {
    let choice = |(title, id): (String, i32)| Choice {
        value: id.to_string(),
        title,
        chosen: filter.substation == Some(id),
    };
    fleet.substations().into_iter().map(choice).collect()
}

fn conditions(filter: &Filter) -> Vec<Choice> {
    let choice = |c: Condition| Choice {
        value: c.name().to_owned(),
        title: c.title().to_owned(),
        chosen: filter.condition == Some(c),
    };
    // A silent poller, or a part that stopped, has no row of its own; the banner tells of it.
    Condition::all()
        .filter(|c| !matches!(c.scope(), Scope::Poller | Scope::Part | Scope::Substation))
        .map(choice)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_address_asks_for_in_vain_is_said() {
        let asked = Asked { state: "angry".into(), condition: "reverse_power".into(), ..Asked::default() };
        let (filter, notice) = asked.understood();
        assert_eq!(filter.condition, Some(Condition::ReversePower));
        assert_eq!(filter.state, None);
        assert!(notice.unwrap().contains("state “angry”"));
    }
}
