//! The tap audit over a span: a replay, bounded, off the threads that answer.

use std::time::{Duration, Instant};

use axum::{
    extract::{Path, Query, State},
    response::Html,
};
use chrono::{TimeDelta, Utc};
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    audit::{History, Limits, Point, TapAudit},
    conditions::Condition,
};
use serde::Deserialize;
use web::{
    frame::Section,
    neutral::{AuditDay, AuditPage, local_times},
    site::{Strip, Values},
};

use super::{records, subject};
use crate::{
    app::App, detection::Thresholds, error::WebError, feed, inventory::Regulator, pages::html,
    people::SignedIn,
};

/// Spans to choose from, days.
const CHOICES: &[i64] = &[3, 7, 14, 28];
const USUAL: i64 = 7;
/// Readings of one day at most; more come from no control.
const MOST_A_DAY: i64 = 20_000;
/// A page that takes longer says what it left out.
const PATIENCE: Duration = Duration::from_secs(15);
/// Slots of the drawing, seconds.
const SLOT_S: i64 = 3600;

/// Readings of a span through a new audit.
pub(super) struct Replay {
    pub(super) audit: TapAudit,
    history: History,
    pub(super) readings: usize,
    /// From here on nothing was read: it took too long.
    cut_at: Option<Timestamp>,
}

impl Replay {
    /// Day by day, so that memory does not grow with the span.
    pub(super) async fn run(
        app: &App,
        regulator: &Regulator,
        limits: &Limits,
        (from, to): (Timestamp, Timestamp),
    ) -> Result<Self, WebError> {
        let _turn = app.replays.acquire().await.map_err(|_| WebError::Unavailable)?;
        let started = Instant::now();
        let mut replay =
            Self { audit: TapAudit::new(), history: History::new(SLOT_S), readings: 0, cut_at: None };
        let mut begin = from;
        while begin < to {
            if started.elapsed() > PATIENCE {
                replay.cut_at = Some(begin);
                break;
            }
            let end = (begin + TimeDelta::days(1)).min(to);
            let mut db = app.pool.acquire().await?;
            let readings = feed::between(&mut db, regulator.id, (begin, end), MOST_A_DAY).await?;
            drop(db);
            let limits = limits.clone();
            let taken = tokio::task::spawn_blocking(move || {
                for reading in &readings {
                    replay.audit.observe(&limits, reading);
                    replay.history.observe(&limits, reading);
                }
                replay.readings += readings.len();
                replay
            });
            replay = taken.await.map_err(|error| WebError::Internal(error.into()))?;
            begin = end;
        }
        Ok(replay)
    }
}

/// What the address asks for.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    days: Option<i64>,
}

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, WebError> {
    let days = asked.days.unwrap_or(USUAL);
    if !CHOICES.contains(&days) {
        let known: Vec<_> = CHOICES.iter().map(ToString::to_string).collect();
        return Err(WebError::BadRequest(format!(
            "The address asks for days={days}; there is {}.",
            known.join(", ")
        )));
    }
    let subject = app.picture.read(|fleet| subject(fleet, id))?;
    let mut db = app.pool.acquire().await?;
    let settings = Thresholds::load(&mut db).await?.of_regulator(&subject.regulator);
    let limits = records::limits(&mut db, &subject.regulator).await?;
    let live = records::live(&mut db, id).await?;
    drop(db);
    let now = Utc::now();
    let span = (now - TimeDelta::days(days), now);
    let replay = Replay::run(&app, &subject.regulator, &limits, span).await?;
    let zone = subject.whose.zone;
    let class = |name| settings.get(Condition::SlippedTapReport, name);
    let points = replay.history.points();
    let title = format!("Tap audit, {} {}", subject.whose.site, subject.whose.name);
    html(&AuditPage {
        frame: signed_in.frame(title, Section::Board),
        days,
        choices: CHOICES,
        live: live.map(|d| {
            let audit = d.tap_audit();
            local_times(&format!("{}{}", audit.verdict(&limits).words(), records::basis(audit)), zone)
        }),
        replayed: local_times(&replay.audit.verdict(&limits).words(), zone),
        strip: strip(points, span, &limits, zone),
        rows: by_day(points, zone),
        bound_steps: limits.bound_steps(),
        classes_percent: (class("source_class_percent"), class("load_class_percent")),
        readings: replay.readings,
        cut: replay.cut_at.map(|at| {
            let at = at.with_timezone(&zone).format("%Y-%m-%d %H:%M %Z");
            format!("Reading took too long: everything from {at} on is left out. Choose a shorter span.")
        }),
        whose: subject.whose,
    })
}

fn strip(points: &[Point], (from, to): (Timestamp, Timestamp), limits: &Limits, zone: Tz) -> Strip {
    #[allow(clippy::cast_precision_loss, reason = "seconds of weeks")]
    let place = |at: Timestamp| {
        ((at - from).num_seconds() as f64 / (to - from).num_seconds().max(1) as f64).clamp(0.0, 1.0)
    };
    let middle = TimeDelta::seconds(SLOT_S / 2);
    let mut line = Vec::with_capacity(points.len());
    let mut before: Option<Timestamp> = None;
    for point in points {
        if before.is_some_and(|before| point.from - before > TimeDelta::seconds(2 * SLOT_S)) {
            line.push((place(point.from), None));
        }
        before = Some(point.from);
        line.push((place(point.from + middle), Some(point.mean)));
    }
    let bound = limits.bound_steps();
    let values = Values {
        names: &[String::new()],
        lines: &[line],
        limits: &[-bound, 0.0, bound],
        band: None,
        steps: false,
        decimals: 1,
    };
    let say = |at: Timestamp| at.with_timezone(&zone).format("%Y-%m-%d %H:%M").to_string();
    Strip::draw("Implied less reported tap, steps", &values, &say(from), &say(to))
}

fn by_day(points: &[Point], zone: Tz) -> Vec<AuditDay> {
    let day = |p: &Point| p.from.with_timezone(&zone).date_naive();
    let of_day = |points: &[Point]| {
        let readings: u32 = points.iter().map(|p| p.readings).sum();
        let sum: f64 = points.iter().map(|p| p.mean * f64::from(p.readings)).sum();
        let means = || points.iter().map(|p| p.mean);
        let (low, high) = (means().fold(f64::INFINITY, f64::min), means().fold(f64::NEG_INFINITY, f64::max));
        AuditDay {
            day: day(&points[0]).format("%a %Y-%m-%d").to_string(),
            offset: (sum / f64::from(readings.max(1)), low, high),
            readings,
        }
    };
    points.chunk_by(|a, b| day(a) == day(b)).map(of_day).collect()
}
