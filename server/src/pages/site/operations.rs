//! Every operation of a site in a range, with its cause: as a page and as a file.

use axum::{
    extract::{Path, Query, State},
    response::{Html, Response},
};
use chrono::{SecondsFormat, Utc};
use chrono_tz::Tz;
use regulator::Timestamp;
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    dwell::place,
    frame::Section,
    site::{OperationRow, OperationsPage, Range},
};

use crate::{
    app::App,
    error::WebError,
    pages::{
        csv::{Csv, decimal, plain},
        html, life,
        trend::{self, Asked, Subject},
    },
    people::SignedIn,
};

/// Operations on a page.
const PAGE: i64 = 200;
/// Operations in a file; three regulators that hunt for three years do not reach it.
const MOST: i64 = 1_000_000;

/// A row of `operation`.
#[derive(Debug)]
pub(super) struct Operation {
    at: Timestamp,
    regulator_id: i32,
    operations: i32,
    tap_from: Option<i16>,
    tap_to: Option<i16>,
    cause: i16,
    confidence: f32,
    undone: bool,
    evidence: String,
}

impl Operation {
    pub(super) fn shown(&self, subjects: &[Subject], zone: Tz) -> OperationRow {
        let tap = |tap: Option<i16>| tap.map_or_else(|| "?".to_owned(), |tap| place(tap.into()));
        OperationRow {
            at: super::clock(self.at, zone),
            whose: whose(subjects, self.regulator_id),
            taps: match (self.tap_from, self.tap_to) {
                (None, None) => "– not reported".to_owned(),
                (from, to) => format!("{} → {}", tap(from), tap(to)),
            },
            count: self.operations,
            cause: life::cause(self.cause).title(),
            confidence: web::causes::confidence(self.confidence.into()),
            undone: self.undone,
            evidence: self.evidence.clone(),
        }
    }
}

fn whose(subjects: &[Subject], id: i32) -> String {
    subjects.iter().find(|s| s.id == id).map_or_else(|| id.to_string(), |s| s.name.clone())
}

/// The newest operations of the range, those before `after` only, where a page goes on from there.
pub(super) async fn newest(
    db: &mut PgConnection,
    ids: &[i32],
    range: &Range,
    after: Option<(Timestamp, i32)>,
    most: i64,
) -> sqlx::Result<Vec<Operation>> {
    sqlx::query_as!(
        Operation,
        "select at, regulator_id, operations, tap_from, tap_to, cause, confidence, undone, evidence from operation
            where regulator_id = any($1) and at >= $2 and at < $3
              and ($4::timestamptz is null or (at, regulator_id) < ($4, $5))
            order by at desc, regulator_id desc limit $6",
        ids,
        range.from,
        range.to,
        after.map(|(at, _)| at),
        after.map(|(_, id)| id),
        most
    )
    .fetch_all(db)
    .await
}

/// Where a page goes on: microseconds since 1970 and the regulator, as the address carries it.
#[derive(Debug, Default, Deserialize)]
pub(super) struct On {
    after: Option<String>,
}

impl On {
    fn position(&self) -> Result<Option<(Timestamp, i32)>, WebError> {
        let Some(text) = &self.after else { return Ok(None) };
        let read = |text: &str| {
            let (at, id) = text.split_once('.')?;
            Some((Timestamp::from_timestamp_micros(at.parse().ok()?)?, id.parse().ok()?))
        };
        let bad = || {
            WebError::BadRequest(format!(
                "“{text}” is no place in the list; start again from the first page."
            ))
        };
        read(text).map(Some).ok_or_else(bad)
    }
}

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(site): Path<i32>,
    Query(asked): Query<Asked>,
    Query(on): Query<On>,
) -> Result<Html<String>, WebError> {
    let range = asked.range(Utc::now())?;
    let (subjects, zone) = app.picture.read(|fleet| trend::subjects(fleet, site))?;
    let ids: Vec<i32> = subjects.iter().map(|s| s.id).collect();
    let mut rows = newest(&mut *app.pool.acquire().await?, &ids, &range, on.position()?, PAGE + 1).await?;
    let more = i64::try_from(rows.len()).unwrap_or(i64::MAX) > PAGE;
    if more {
        rows.pop();
    }
    let next = rows.last().filter(|_| more).map(|last| {
        // The range is fixed, so that nothing shifts while one reads on.
        let position = format!("{}.{}", last.at.timestamp_micros(), last.regulator_id);
        format!("/site/{site}/operations?{}&after={position}", range.fixed())
    });
    let name = app.picture.read(|fleet| fleet.at_site(site).first().map(|u| u.regulator.site.name.clone()));
    let name = name.unwrap_or_default();
    html(&OperationsPage {
        frame: signed_in.frame(format!("Operations of {name}"), Section::Board),
        id: site,
        name,
        zone: zone.name().to_owned(),
        between: (super::clock(range.from, zone), super::clock(range.to, zone)),
        range,
        newest: rows.iter().map(|o| o.shown(&subjects, zone)).collect(),
        next,
    })
}

pub(super) async fn download(
    _signed_in: SignedIn,
    State(app): State<App>,
    Path(site): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<Response, WebError> {
    let range = asked.range(Utc::now())?;
    let (subjects, zone) = app.picture.read(|fleet| trend::subjects(fleet, site))?;
    let ids: Vec<i32> = subjects.iter().map(|s| s.id).collect();
    let rows = newest(&mut *app.pool.acquire().await?, &ids, &range, None, MOST).await?;
    let heads = [
        "utc",
        "local",
        "regulator",
        "tap_from",
        "tap_to",
        "operations",
        "cause",
        "confidence",
        "undone_within_5_min",
        "evidence",
    ];
    let mut csv = Csv::new(heads);
    for row in rows {
        csv.line([
            row.at.to_rfc3339_opts(SecondsFormat::Millis, true),
            super::clock(row.at, zone),
            whose(&subjects, row.regulator_id),
            plain(row.tap_from),
            plain(row.tap_to),
            row.operations.to_string(),
            life::cause(row.cause).name().to_owned(),
            decimal(Some(row.confidence.into()), 2),
            if row.undone { "yes" } else { "no" }.to_owned(),
            row.evidence,
        ]);
    }
    csv.answer(&format!("operations-{site}-{}.csv", range.from.format("%Y%m%dT%H%M%SZ")))
}
