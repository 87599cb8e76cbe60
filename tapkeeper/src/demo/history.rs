//! The demo's past: the simulated fleet run faster than time, written as a poller would have written it.

use std::collections::{BTreeMap, HashMap};

use anyhow::{Context, Result};
use chrono::{DateTime, TimeDelta, Utc};
use poller::store::{BatchId, Failing, Writer};
use regulator::Reading;
use simulator::{Addresses, Fleet, Polled, history};
use sqlx::PgConnection;
use tokio_util::sync::CancellationToken;

/// Readings a batch, and so in memory at once.
const BATCH: usize = 20_000;

/// The database's ids of the simulated regulators and endpoints, by their numbers.
#[derive(Debug)]
pub(crate) struct Ids {
    regulators: Vec<i32>,
    endpoints: Vec<i32>,
}

impl Ids {
    /// Looks them up by where each regulator answers.
    pub(crate) async fn look_up(db: &mut PgConnection, fleet: &Fleet, addresses: &Addresses) -> Result<Self> {
        let rows = sqlx::query!(
            "select r.id, r.endpoint_id, e.address, r.unit, r.position
             from regulator r join endpoint e on e.id = r.endpoint_id where r.retired_at is null"
        )
        .fetch_all(db)
        .await?;
        let places: HashMap<_, _> =
            rows.iter().map(|r| ((r.address.as_str(), r.unit, r.position), (r.id, r.endpoint_id))).collect();
        let mut ids = Self { regulators: Vec::new(), endpoints: vec![0; fleet.endpoint_count()] };
        for member in fleet.members() {
            let address = addresses.get(member.endpoint).context("an address for every endpoint")?;
            let place = (address, i32::from(member.unit), i32::from(member.position));
            let (id, endpoint) =
                places.get(&place).with_context(|| format!("{place:?} is not in the inventory"))?;
            ids.regulators.push(*id);
            ids.endpoints[member.endpoint] = *endpoint;
        }
        Ok(ids)
    }
}

/// How often the past is polled, and the last day: fine enough that a settings study of that day follows each operation.
const CADENCE: TimeDelta = TimeDelta::minutes(5);
const LAST_DAY: TimeDelta = TimeDelta::seconds(20);

/// Fills the database from where the fleet stands up to `to`: every five minutes, and every 20 seconds in the last day. Calls
/// `progress` with the instant reached after each batch. Returns the last batch, if there was one.
pub(crate) async fn fill(
    fleet: &mut Fleet,
    ids: &Ids,
    writer: &mut Writer,
    to: DateTime<Utc>,
    stop: &CancellationToken,
    mut progress: impl FnMut(DateTime<Utc>),
) -> Result<Option<BatchId>> {
    let yesterday = to - TimeDelta::days(1);
    let mut page = Page::default();
    let mut last = None;
    for (until, cadence) in [(yesterday, CADENCE), (to, LAST_DAY)] {
        let from = fleet.now() + cadence;
        for polled in history(fleet, from, until, cadence) {
            if stop.is_cancelled() {
                break;
            }
            if page.must_end_before(&polled) {
                last = Some(page.write(writer).await?);
                progress(page.watermark);
                page.clear();
                tokio::task::yield_now().await;
            }
            page.add(polled, ids);
        }
    }
    if !page.readings.is_empty() {
        last = Some(page.write(writer).await?);
    }
    Ok(last)
}

/// Readings that will be written together, and who was silent while they were taken.
#[derive(Debug, Default)]
struct Page {
    readings: Vec<(i32, Reading)>,
    watermark: DateTime<Utc>,
    silent: Vec<usize>,
    since: BTreeMap<i32, DateTime<Utc>>,
}

impl Page {
    /// A batch says who is silent at its end, so it ends when that changes.
    fn must_end_before(&self, next: &Polled) -> bool {
        !self.readings.is_empty() && (self.readings.len() >= BATCH || self.silent != next.silent)
    }

    fn add(&mut self, polled: Polled, ids: &Ids) {
        let silent: Vec<i32> = polled.silent.iter().map(|e| ids.endpoints[*e]).collect();
        self.since.retain(|id, _| silent.contains(id));
        for id in silent {
            self.since.entry(id).or_insert(polled.at);
        }
        self.readings.extend(polled.readings.into_iter().map(|(r, reading)| (ids.regulators[r], reading)));
        self.watermark = polled.at;
        self.silent = polled.silent;
    }

    async fn write(&self, writer: &mut Writer) -> Result<BatchId> {
        let failing: Vec<Failing> = self
            .since
            .iter()
            .map(|(id, since)| Failing {
                endpoint: *id,
                unit: None,
                since: *since,
                error: "timed out".to_owned(),
            })
            .collect();
        Ok(writer.write(&self.readings, self.watermark, &failing).await?)
    }

    fn clear(&mut self) {
        self.readings.clear();
    }
}
