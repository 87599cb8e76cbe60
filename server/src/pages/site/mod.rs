//! One site: present values from memory, trends from the database.

mod devices;
mod life;
mod operations;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    extract::{Path, Query, State},
    response::Html,
    routing::get,
};
use chrono::Utc;
use chrono_tz::Tz;
use regulator::{Nameplate, Quality, Quantity, Reading, TimeSource, Timestamp};
use tower_http::compression::CompressionLayer;
use web::{
    board::{Cell, number},
    frame::Section,
    notes::SiteNotes,
    site::{Facts, PastAlarm, Phase, Present, Range, Site, SiteLife, Strip, Summary, Values},
};

use super::notes;
use super::trend::{self, Asked, Occurrence, Resolution, Subject, Trend};
use crate::{
    app::App,
    error::WebError,
    people::SignedIn,
    picture::{Fleet, Unit},
};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/site/{id}", get(show))
        .route("/site/{id}/now", get(now))
        .route("/site/{id}/life", get(lived))
        .route("/site/{id}/operations", get(operations::show))
        .route("/site/{id}/operations.csv", get(operations::download))
        .layer(CompressionLayer::new())
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, WebError> {
    let clock = Utc::now();
    let range = asked.range(clock)?;
    let (subjects, zone) = app.picture.read(|fleet| trend::subjects(fleet, id))?;
    let past = match past(&app, id, &subjects, &range, zone).await {
        Ok(past) => past,
        // The present values are in memory; the banner tells why there is no past.
        Err(error) if crate::error::is_away(&error) => Past::default(),
        Err(error) => return Err(error.into()),
    };
    let page = app.picture.read(|fleet| {
        let units = fleet.at_site(id);
        page(&units, fleet, zone, clock).map(|mut base| Site {
            plates: {
                base.plates.extend(devices::rows(&units, &past.devices));
                base.plates
            },
            frame: signed_in.frame(base.name.clone(), Section::Board),
            strips: strips(&subjects, &past.trends, &range, zone),
            summaries: summaries(&past.trends),
            alarms: past.alarms.iter().map(|a| past_alarm(a, zone)).collect(),
            range,
            notes: past.notes,
            life: past.life,
            ..base
        })
    });
    super::html(&page.ok_or_else(|| WebError::NotFound(format!("site {id}")))?)
}

/// The present values alone, for the live script.
async fn now(
    _signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
) -> Result<Html<String>, WebError> {
    let (_, zone) = app.picture.read(|fleet| trend::subjects(fleet, id))?;
    let present = app.picture.read(|fleet| present(&fleet.at_site(id), zone, Utc::now()));
    super::html(&present)
}

/// What the analysis found, alone, for the script that changes the range.
async fn lived(
    _signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, WebError> {
    let range = asked.range(Utc::now())?;
    let (subjects, zone) = app.picture.read(|fleet| trend::subjects(fleet, id))?;
    super::html(&life::load(&app, id, &subjects, &range, zone).await?)
}

/// What the database adds.
#[derive(Debug, Default)]
struct Past {
    life: Option<SiteLife>,
    trends: Vec<Trend>,
    alarms: Vec<Occurrence>,
    devices: Vec<devices::Device>,
    notes: Option<SiteNotes>,
}

async fn past(app: &App, site: i32, subjects: &[Subject], range: &Range, zone: Tz) -> sqlx::Result<Past> {
    let mut connection = app.pool.acquire().await?;
    let span = (range.from, range.to);
    let mut past = Past { alarms: trend::alarms(&mut connection, subjects, span).await?, ..Past::default() };
    let ids: Vec<i32> = subjects.iter().map(|s| s.id).collect();
    past.devices = devices::of(&mut connection, &ids).await?;
    let units: Vec<(i32, String)> = subjects.iter().map(|s| (s.id, s.name.clone())).collect();
    past.notes = Some(notes::of_site(&mut connection, site, &units, zone).await?);
    let by_days = trend::by_days(range.length());
    for subject in subjects {
        let resolution = Resolution::coarse(range.length());
        past.trends.push(trend::load(&mut connection, subject, span, resolution, by_days).await?);
    }
    drop(connection);
    past.life = Some(life::load(app, site, subjects, range, zone).await?);
    Ok(past)
}

/// Everything but the past.
fn page(units: &[&Unit], fleet: &Fleet, zone: Tz, now: Timestamp) -> Option<Site> {
    let r = &units.first()?.regulator;
    let place = r.place.map(|(north, east)| format!("{}, {}", number(north, 4, ""), number(east, 4, "")));
    Some(Site {
        frame: web::frame::Frame {
            title: String::new(),
            section: Section::Board,
            viewer: None,
            notice: None,
        },
        banners: fleet.banners.clone(),
        id: r.site.id,
        name: r.site.name.clone(),
        substation: r.substation.name.clone(),
        feeder: r.feeder.name.clone(),
        substation_id: r.substation.id,
        feeder_id: r.feeder.id,
        zone: r.time_zone.clone(),
        place,
        present: present(units, zone, now),
        plates: plates(units),
        range: Range { from: now, to: now, span: None },
        strips: vec![],
        summaries: vec![],
        alarms: vec![],
        life: None,
        notes: None,
        phases: units.iter().map(|u| trend::name(u)).collect(),
        version: format!("{}-{}", fleet.epoch, fleet.version),
        regulators: units.iter().map(|u| u.regulator.id).collect(),
    })
}

fn present(units: &[&Unit], zone: Tz, now: Timestamp) -> Present {
    let phase = |unit: &&Unit| Phase {
        id: unit.regulator.id,
        name: trend::name(unit),
        state: unit.row.live.state,
        age: unit.row.age(&now),
        measured: unit.latest.as_ref().map_or_else(String::new, |l| measured(l, zone, now)),
        old: unit.is_old(now),
        alarms: unit.row.live.alarms.clone(),
    };
    // Settings have a table of their own.
    let reported = |q: Quantity| {
        units.iter().filter_map(|u| u.latest.as_ref()).any(|l| l.quality(q) != Quality::NotReported)
    };
    let shown =
        Quantity::ALL.iter().filter(|q| !SETTINGS.contains(q) && (reported(**q) || !SELDOM.contains(q)));
    let mut rows: Vec<_> = shown.map(|&q| row(units, q, now)).collect();
    rows.push(Facts {
        name: "Operations today",
        cells: units.iter().map(|u| u.row.live.ops.clone()).collect(),
    });
    Present { phases: units.iter().map(phase).collect(), rows }
}

/// What few controls report: nothing is missed where it is not.
const SELDOM: &[Quantity] =
    &[Quantity::VoltageDistortion, Quantity::CurrentDistortion, Quantity::TapInProgress];

const SETTINGS: &[Quantity] = &[
    Quantity::SetVoltage,
    Quantity::Bandwidth,
    Quantity::TimeDelay,
    Quantity::LdcResistance,
    Quantity::LdcReactance,
];

fn row(units: &[&Unit], quantity: Quantity, now: Timestamp) -> Facts {
    let cells = units.iter().map(|unit| {
        let Some(latest) = &unit.latest else { return Cell::missing("no data") };
        let mut cell = cell(latest, quantity);
        if unit.is_old(now) {
            cell.outdate();
        }
        cell
    });
    Facts { name: quantity.title(), cells: cells.collect() }
}

/// A value of the present table: its quality in full words where it is not good, and what was reported if anything was.
fn cell(reading: &Reading, quantity: Quantity) -> Cell {
    let said = |value: f64| match quantity {
        q if q.is_flag() => if value == 0.0 { "no" } else { "yes" }.to_owned(),
        Quantity::Tap => web::board::tap_text(value),
        Quantity::RealPower if value <= -0.5 => format!("{} ← reverse", number(value, 1, "kW")),
        q => number(value, decimals(q), q.unit()),
    };
    match (reading.good(quantity), reading.value(quantity)) {
        (Some(value), _) => Cell::good(said(value)).aged(reading.age(quantity)),
        (None, Some(value)) => {
            Cell::missing(&format!("{} (reported {})", reading.quality(quantity).title(), said(value)))
        }
        (None, None) => Cell::missing(reading.quality(quantity).title()),
    }
}

const fn decimals(quantity: Quantity) -> usize {
    match quantity {
        Quantity::PowerFactor => 3,
        Quantity::Operations | Quantity::TimeDelay => 0,
        _ => 1,
    }
}

fn plates(units: &[&Unit]) -> Vec<Facts> {
    let plate = |name, say: &dyn Fn(&Nameplate) -> String| Facts {
        name,
        cells: units.iter().map(|u| Cell::good(say(&u.regulator.nameplate))).collect(),
    };
    let setting = |&q: &Quantity| {
        let latest = |u: &&Unit| u.latest.as_ref().map_or_else(|| Cell::missing("no data"), |l| cell(l, q));
        Facts { name: q.title(), cells: units.iter().map(latest).collect() }
    };
    let mut rows: Vec<_> = SETTINGS.iter().map(setting).collect();
    rows.push(Facts {
        name: "Connection",
        cells: units.iter().map(|u| Cell::good(u.regulator.connection.title().to_owned())).collect(),
    });
    rows.extend([
        plate("Rated power", &|n| number(n.kva, usize::from(n.kva.fract() != 0.0), "kVA")),
        plate("Rated current", &|n| number(n.rated_current_a, 0, "A")),
        plate("Rated voltage", &|n| number(n.rated_voltage_v, 0, "V")),
        plate("PT ratio", &|n| format!("{} : 1", n.pt_ratio)),
        plate("CT ratio", &|n| format!("{} : 1", n.ct_ratio)),
        plate("Voltage base", &|n| number(n.voltage_base_v, 0, "V")),
        plate("Steps", &|n| format!("{} of {}", n.step_count, number(n.step_volts(), 2, "V"))),
        plate("Tap limits", &|n| {
            format!(
                "{} to {}",
                web::board::tap_text(n.tap_min.into()),
                web::board::tap_text(n.tap_max.into())
            )
        }),
        plate("Construction", &|n| n.winding_type.title().to_owned()),
        plate("Polled every", &|n| web::duration::text(n.poll_interval_s)),
    ]);
    rows
}

fn clock(at: Timestamp, zone: Tz) -> String {
    at.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S").to_string()
}

/// The time of day; with the date when it is not today's.
fn when(at: Timestamp, zone: Tz, now: Timestamp) -> String {
    let (at, now) = (at.with_timezone(&zone), now.with_timezone(&zone));
    let today = at.date_naive() == now.date_naive();
    at.format(if today { "%H:%M:%S" } else { "%Y-%m-%d %H:%M" }).to_string()
}

/// When it was measured, and by whose clock where that is not the poller's.
fn measured(reading: &Reading, zone: Tz, now: Timestamp) -> String {
    let at = when(reading.measured_at, zone, now);
    match reading.time_source {
        TimeSource::Poller => at,
        other => format!("{at}, {}", other.title()),
    }
}

fn past_alarm(a: &Occurrence, zone: Tz) -> PastAlarm {
    let local =
        |ms: i64| chrono::DateTime::from_timestamp_millis(ms).map_or_else(String::new, |at| clock(at, zone));
    PastAlarm {
        id: a.id,
        whose: a.whose.clone(),
        title: a.title,
        level: a.level,
        word: a.word,
        raised: local(a.raised),
        returned: a.returned.map(local),
        summary: a.summary.clone(),
    }
}

/// What is drawn and summed up: title, decimals.
const TRENDS: [(&str, usize); 4] =
    [("Load voltage, V", 1), ("Current, A", 0), ("Real power, kW", 0), ("Tap", 0)];

fn strips(subjects: &[Subject], trends: &[Trend], range: &Range, zone: Tz) -> Vec<Strip> {
    let names: Vec<_> = subjects.iter().map(|s| s.name.clone()).collect();
    let base = subjects.first().map_or(120.0, |s| s.base_v);
    let limits = [0.95 * base, 1.05 * base];
    let draw = |(column, (title, decimals)): (usize, (&'static str, usize))| {
        let lines: Vec<_> = trends.iter().map(|t| points(t, column, range)).collect();
        let values = Values {
            names: &names,
            lines: &lines,
            limits: if column == 0 { &limits } else { &[] },
            band: subjects.first().and_then(|s| s.band).filter(|_| column == 0),
            steps: column == 3,
            decimals,
        };
        Strip::draw(title, &values, &clock(range.from, zone), &clock(range.to, zone))
    };
    TRENDS.into_iter().enumerate().map(draw).collect()
}

#[allow(clippy::cast_precision_loss, reason = "milliseconds of a few years are exact in f64")]
fn points(trend: &Trend, column: usize, range: &Range) -> Vec<(f64, Option<f64>)> {
    let length = range.length().num_milliseconds().max(1) as f64;
    let place = |ms: &i64| ((ms - range.from.timestamp_millis()) as f64 / length).clamp(0.0, 1.0);
    let values = trend.series.columns[column].value.iter().map(|v| v.map(f64::from));
    trend.series.t.iter().map(place).zip(values).collect()
}

fn summaries(trends: &[Trend]) -> Vec<Summary> {
    let mut rows: Vec<_> = TRENDS
        .into_iter()
        .enumerate()
        .map(|(column, (name, decimals))| Summary {
            name,
            cells: trends.iter().map(|t| lowest_to_highest(t.series.summary(column), decimals)).collect(),
        })
        .collect();
    let total = |t: &Trend| {
        t.operations.total().map_or_else(|| Cell::missing("no data"), |n| Cell::good(n.to_string()))
    };
    rows.push(Summary { name: "Operations", cells: trends.iter().map(total).collect() });
    rows
}

fn lowest_to_highest(summary: Option<(f64, f64, f64)>, decimals: usize) -> Cell {
    summary.map_or_else(
        || Cell::missing("no data"),
        |(low, mean, high)| {
            let say = |v| number(v, decimals, "");
            Cell::good(format!("{} / {} / {}", say(low), say(mean), say(high)))
        },
    )
}
