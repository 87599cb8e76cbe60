//! What the sheet is gathered from.
//!
//! The tap audit is the one that detection keeps: it remembers a slip for as long as it has watched, where a replay of some weeks
//! would take an old slip for the usual offset. Only while that one has not learnt yet are the last days replayed. Detection also
//! knows what neighbours reported at the time; a replay goes by the unit's own readings alone.

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::{
    Reading, Timestamp,
    audit::{self, TapAudit, Verdict, Why},
    conditions::{RegulatorDetector, Unit},
};
use sqlx::PgConnection;
use web::neutral::Item;

use super::audit::Replay;
use crate::{app::App, detection::Thresholds, error::WebError, feed, inventory::Regulator};

/// How far back readings are looked at, and how many at most.
const RECENT: TimeDelta = TimeDelta::hours(24);
const MOST_RECENT: i64 = 20_000;
/// Where there are none: how far back the last ones are looked for.
const LAST_KNOWN: TimeDelta = TimeDelta::days(31);
const MOST_LAST_KNOWN: i64 = 200;
/// What is replayed while detection's audit is young, days.
const REPLAYED_DAYS: i64 = 14;

/// All of it.
pub(super) struct Found {
    pub(super) readings: Vec<Reading>,
    pub(super) audit: TapAudit,
    pub(super) limits: audit::Limits,
    /// What the audit rests on, in words.
    pub(super) audit_basis: String,
    pub(super) life: Option<Life>,
}

pub(super) async fn find(app: &App, regulator: &Regulator, now: Timestamp) -> Result<Found, WebError> {
    let mut db = app.pool.acquire().await?;
    let readings = recent(&mut db, regulator.id, now).await?;
    let limits = limits(&mut db, regulator).await?;
    let life = life(&mut db, regulator.id).await?;
    let live = live(&mut db, regulator.id).await?;
    let (mut audit, last) = live.map_or_else(Default::default, |d| (d.tap_audit().clone(), d.last_seen()));
    // What was read since detection last looked.
    let fresh = readings.iter().filter(|r| last.is_none_or(|last| r.measured_at > last));
    if last.is_some() {
        fresh.for_each(|reading| _ = audit.observe(&limits, reading));
    }
    if is_young(&audit.verdict(&limits)) {
        drop(db);
        let replay =
            Replay::run(app, regulator, &limits, (now - TimeDelta::days(REPLAYED_DAYS), now)).await?;
        if !is_young(&replay.audit.verdict(&limits)) {
            let audit_basis = format!(
                "The tap audit is a replay of {} readings of the last {REPLAYED_DAYS} days; what was wrong before them it cannot see.",
                web::words::count(i64::try_from(replay.readings).unwrap_or(i64::MAX))
            );
            return Ok(Found { readings, audit: replay.audit, limits, audit_basis, life });
        }
    }
    let audit_basis = match last {
        Some(last) => format!(
            "The tap audit has followed every reading since detection began, up to {}{}.",
            last.format("%Y-%m-%d %H:%M UTC"),
            basis(&audit)
        ),
        None => "The tap audit has too few readings to go by.".to_owned(),
    };
    Ok(Found { readings, audit, limits, audit_basis, life })
}

/// What the audit goes by, where it is not the unit's own source voltage.
pub(super) fn basis(audit: &TapAudit) -> String {
    audit.basis().words().map_or_else(String::new, |words| format!("; {words}"))
}

const fn is_young(verdict: &Verdict) -> bool {
    matches!(verdict, Verdict::CannotTell(Why::Nothing | Why::Learning { .. }))
}

async fn recent(db: &mut PgConnection, id: i32, now: Timestamp) -> sqlx::Result<Vec<Reading>> {
    let readings = feed::newest(db, id, now - RECENT, MOST_RECENT).await?;
    if readings.is_empty() {
        return feed::newest(db, id, now - LAST_KNOWN, MOST_LAST_KNOWN).await;
    }
    Ok(readings)
}

/// What the audit is judged by at this regulator.
pub(super) async fn limits(db: &mut PgConnection, regulator: &Regulator) -> sqlx::Result<audit::Limits> {
    let settings = Thresholds::load(db).await?.of_regulator(regulator);
    Ok(Unit::new(&regulator.nameplate, &settings).audit_limits().clone())
}

/// What detection remembers of a regulator; one that does not read is as none.
pub(super) async fn live(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<RegulatorDetector>> {
    let state = sqlx::query_scalar!(
        "select state from detection_state where scope_kind = 'regulator' and scope_id = $1",
        id.to_string()
    )
    .fetch_optional(db)
    .await?;
    Ok(state.and_then(|text| {
        serde_json::from_str(&text)
            .inspect_err(|error| tracing::warn!(regulator = id, %error, "what detection remembers of this does not read"))
            .ok()
    }))
}

/// When it last moved and passed neutral, by the analysis of every reading.
pub(super) struct Life {
    first_seen_at: Timestamp,
    seen_until: Timestamp,
    moved_at: Option<Timestamp>,
    neutral_at: Option<Timestamp>,
    /// Operations written down since then.
    operations: i64,
}

async fn life(db: &mut PgConnection, id: i32) -> sqlx::Result<Option<Life>> {
    sqlx::query_as!(
        Life,
        r#"select first_seen_at, seen_until, moved_at, neutral_at,
                (select coalesce(sum(o.operations), 0) from operation o
                    where o.regulator_id = l.regulator_id and o.at > coalesce(l.neutral_at, l.first_seen_at)) as "operations!"
            from service_life l where regulator_id = $1"#,
        id
    )
    .fetch_optional(db)
    .await
}

impl Life {
    pub(super) fn item(&self, now: Timestamp, zone: Tz) -> Item {
        let at = |at: Timestamp| at.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S %Z").to_string();
        let neutral = match self.neutral_at {
            Some(neutral) => format!("reported at neutral, or to have passed it, last at {}", at(neutral)),
            None => format!("not reported at neutral since it was first seen, {}", at(self.first_seen_at)),
        };
        let moved = match self.moved_at {
            Some(moved) => format!("the last one seen at {}", at(moved)),
            None => "none seen at all".to_owned(),
        };
        let detail = format!(
            "{neutral}; operations written down since: {}, {moved}; the newest ones are written some minutes late",
            web::words::count(self.operations)
        );
        let age_s = (now - self.seen_until).num_seconds();
        Item {
            title: "Long history",
            says: None,
            detail,
            quality: "by the records kept of every operation",
            age_s: Some(age_s),
        }
    }
}
