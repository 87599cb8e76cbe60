//! One unit's contacts.

use axum::{
    extract::{Path, State},
    response::Html,
};
use chrono::{TimeDelta, Utc};
use regulator::{
    Timestamp,
    wear::{ContactWear, Part, Stroke, WearModel, sensitivity},
};
use sqlx::PgConnection;
use web::{
    frame::Section,
    maintenance::{Moved, PartRow, WearPage},
};

use super::gather;
use crate::{app::App, error::WebError, pages::html, people::SignedIn};

/// Strokes that are typical: those of so many days.
const TYPICAL: TimeDelta = TimeDelta::days(90);

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
) -> Result<Html<String>, WebError> {
    let now = Utc::now();
    let mut gathered = gather::gather(&app, |regulator, _| regulator.id == id, now).await?;
    gathered.forecast(&app, None, now).await?;
    let unit =
        gathered.units.first().ok_or_else(|| WebError::NotFound(format!("regulator {id} in service")))?;
    let base_v = unit.regulator.nameplate.voltage_base_v;
    let strokes = strokes(&mut *app.pool.acquire().await?, id, now - TYPICAL, base_v).await?;
    let row = unit.row();
    let wear = unit.lived.as_ref().map(|lived| lived.wear.clone()).unwrap_or_default();
    let parts = match &unit.account {
        None => Ok(vec![]),
        Some(Err(why)) => Err(*why),
        Some(Ok(account)) => Ok(PartRow::all(account, |part| wear.part(part).breaks())),
    };
    html(&WearPage {
        frame: signed_in.frame(format!("Contacts of {}", row.name), Section::Maintenance),
        site_id: row.site_id,
        name: row.name.clone(),
        above: row.above.clone(),
        zone: unit.zone,
        seen: unit.lived.as_ref().map(|lived| (lived.first_seen_at, lived.seen_until)),
        parts,
        past: unit.account.as_ref().and_then(|account| Some(account.as_ref().ok()?.past)),
        counter: (unit.lived.as_ref().and_then(|lived| lived.first_counter), unit.counter),
        unplaced: wear.unplaced,
        assumed: wear.assumed,
        reversals: wear.reversals,
        outlook: row.outlook,
        dwell: row.dwell,
        sensitivity: (moved(&unit.basis.model, &strokes), strokes.iter().map(|s| s.times).sum()),
        assumptions: gathered.assumptions,
    })
}

/// The steps that a regulator made since, each kind with its mean current and voltage; those without a current are left out.
async fn strokes(db: &mut PgConnection, id: i32, since: Timestamp, base_v: f64) -> sqlx::Result<Vec<Stroke>> {
    let rows = sqlx::query!(
        r#"select tap_from as "tap_from!", tap_to as "tap_to!", count(*) as "times!",
                avg(current)::double precision as "current!", avg(load_after)::double precision as load_after
            from operation
            where regulator_id = $1 and at >= $2 and tap_from <> tap_to and current is not null
            group by 1, 2 order by 1, 2"#,
        id,
        since
    )
    .fetch_all(db)
    .await?;
    let mut strokes = vec![];
    for row in rows {
        let (from, to) = (i32::from(row.tap_from), i32::from(row.tap_to));
        let towards = (to - from).signum();
        let voltage_pu = row.load_after.map_or(1.0, |v| v / base_v);
        // Taps between two readings are made one after the other.
        for i in 0..(to - from).abs() {
            let tap = from + towards * i;
            let times = u64::try_from(row.times).unwrap_or(0);
            strokes.push(Stroke { from: tap, to: tap + towards, times, load_a: row.current, voltage_pu });
        }
    }
    Ok(strokes)
}

/// What each assumption is worth, relative to the model as it is set.
fn moved(model: &WearModel, strokes: &[Stroke]) -> Vec<Moved> {
    let mut wear = ContactWear::default();
    for s in strokes {
        wear.note(&model.law, model.dial, (s.from, s.to), s.times, (s.load_a, s.voltage_pu));
    }
    let set = wear.worst().1.share().likely;
    if set <= 0.0 {
        return vec![];
    }
    let relative = |(part, share): (Part, f64)| (part, share / set);
    let told = sensitivity(model, strokes).into_iter();
    told.map(|s| Moved { assumption: s.assumption, one: relative(s.one_end), other: relative(s.other_end) })
        .collect()
}
