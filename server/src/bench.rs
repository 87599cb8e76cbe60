//! Measures of pages without a network around them, for `make bench`.

use std::time::{Duration, Instant};

use askama::Template;
use chrono::Utc;
use regulator::Timestamp;
use sqlx::PgConnection;
use web::{
    board::Filter,
    frame::{Frame, Section},
};

use crate::{
    pages::{board, measure_list, open_groups, trend},
    picture::{Picture, synthetic},
};

/// Draws the board of a made-up fleet `rounds` times; the time of each, and the size of the page in bytes.
///
/// # Panics
/// When the page cannot be drawn, which would be a fault of its template.
#[must_use]
pub fn board(regulators: i32, rounds: usize) -> (Vec<Duration>, usize) {
    let now = Utc::now();
    let picture = Picture::new(now);
    picture.replace(synthetic::fleet(regulators, now), now);
    let mut size = 0;
    let mut draw = || {
        let started = Instant::now();
        let frame = Frame { title: "Board".into(), section: Section::Board, viewer: None, notice: None };
        let page = picture.read(|fleet| board::page(fleet, frame, Filter::default(), now));
        size = page.render().expect("the board can be drawn").len();
        started.elapsed()
    };
    ((0..rounds).map(|_| draw()).collect(), size)
}

/// Puts the open alarms into groups as the desk sees them in a flood: how many lines, and how many alarms they tell of.
///
/// # Errors
/// When the database cannot be asked.
pub async fn groups(connection: &mut PgConnection) -> sqlx::Result<(usize, usize)> {
    let groups = open_groups(connection).await?;
    Ok((groups.len(), groups.iter().map(|group| group.count).sum()))
}

/// Makes the list of alarms that an address's query asks for; the time it took, and the page's size in bytes.
///
/// # Errors
/// When the query is not understood, or the database cannot be asked.
pub async fn alarm_list(
    connection: &mut PgConnection,
    query: &str,
) -> Result<(Duration, usize), crate::WebError> {
    let started = Instant::now();
    let size = measure_list(connection, query).await?;
    Ok((started.elapsed(), size))
}

/// Puts a year's million of past alarms of a thousand regulators into an empty, migrated database, and a hundred open ones.
///
/// # Errors
/// When the database refuses.
pub async fn million_alarms(connection: &mut PgConnection) -> sqlx::Result<()> {
    sqlx::raw_sql(include_str!("bench/million_alarms.sql")).execute(&mut *connection).await?;
    // As it would long have happened by itself.
    sqlx::raw_sql("vacuum analyze").execute(connection).await.map(drop)
}

/// Fetches and encodes one regulator's trend as the charts do; the time it took, and how many points it has.
///
/// # Errors
/// When the database cannot be asked.
pub async fn trend(
    connection: &mut PgConnection,
    regulator: i32,
    from: Timestamp,
    to: Timestamp,
) -> sqlx::Result<(Duration, usize)> {
    trend::measure(connection, regulator, (from, to)).await
}
