//! The inventory as plans for the endpoints' tasks.

use std::{
    collections::{BTreeMap, HashMap},
    sync::Arc,
    time::Duration,
};

use regulator::{Nameplate, WindingType};
use sqlx::PgConnection;

use crate::{
    endpoint::{EndpointPlan, LinkSettings, RegulatorPlan, UnitPlan},
    profile::{Profile, ProfileErrors},
};

/// What there is to poll.
#[derive(Debug)]
pub(super) struct Inventory {
    pub(super) version: i64,
    pub(super) regulators: usize,
    /// By endpoint.
    pub(super) endpoints: BTreeMap<i32, Entry>,
}

/// One endpoint: its plan, and what the plan was made of, by which a change is recognised.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) made_of: Vec<Source>,
    pub(super) plan: EndpointPlan,
}

/// One regulator as stored, with its profile's text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Source {
    regulator_id: i32,
    endpoint_id: i32,
    address: String,
    unit: i32,
    position: i32,
    kva: f32,
    rated_current_a: f32,
    rated_voltage_v: f32,
    pt_ratio: f32,
    ct_ratio: f32,
    voltage_base_v: f32,
    step_count: i32,
    tap_min: i32,
    tap_max: i32,
    winding_type: String,
    counter_modulus: i64,
    poll_interval_ms: i32,
    master_address: i32,
    integrity_interval_ms: i32,
    event_polls: String,
    unsolicited: String,
    time_sync: String,
    profile: String,
    profile_source: String,
}

/// The version, by which a change is noticed.
pub(super) async fn version(connection: &mut PgConnection) -> sqlx::Result<i64> {
    sqlx::query_scalar!("select version from inventory_version").fetch_one(connection).await
}

/// Reads the inventory.
pub(super) async fn load(connection: &mut PgConnection) -> sqlx::Result<Inventory> {
    // first, so that a change made meanwhile is noticed at the next look
    let version = version(connection).await?;
    let rows = sqlx::query_as!(
        Source,
        "select r.id as regulator_id, r.endpoint_id, e.address, r.unit, r.position, r.kva, r.rated_current_a,
                r.rated_voltage_v, r.pt_ratio, r.ct_ratio, r.voltage_base_v, r.step_count, r.tap_min, r.tap_max,
                r.winding_type, r.counter_modulus, r.poll_interval_ms, r.master_address, r.integrity_interval_ms,
                r.event_polls, r.unsolicited, r.time_sync, r.profile, p.source as profile_source
         from regulator r join endpoint e on e.id = r.endpoint_id join profile p on p.name = r.profile
         where r.retired_at is null order by r.endpoint_id, r.unit, r.position"
    )
    .fetch_all(connection)
    .await?;
    let regulators = rows.len();
    let mut profiles = Profiles::default();
    let mut endpoints: BTreeMap<i32, Vec<Source>> = BTreeMap::new();
    for row in rows {
        endpoints.entry(row.endpoint_id).or_default().push(row);
    }
    let entry = |made_of: Vec<Source>| Entry { plan: plan(&made_of, &mut profiles), made_of };
    let endpoints = endpoints.into_iter().map({
        let mut entry = entry;
        move |(id, rows)| (id, entry(rows))
    });
    Ok(Inventory { version, regulators, endpoints: endpoints.collect() })
}

/// Profiles, each parsed once.
#[derive(Default)]
struct Profiles(HashMap<String, Result<Arc<Profile>, ProfileErrors>>);

impl Profiles {
    fn get(&mut self, name: &str, source: &str) -> Result<Arc<Profile>, ProfileErrors> {
        let parse = || Profile::parse(&format!("{name}.toml"), source).map(Arc::new);
        self.0.entry(name.to_owned()).or_insert_with(parse).clone()
    }
}

fn plan(rows: &[Source], profiles: &mut Profiles) -> EndpointPlan {
    let mut units: Vec<UnitPlan> = Vec::new();
    for row in rows {
        // the schema holds unit within 0 to 65519 and position within 1 to 3
        let unit = u16::try_from(row.unit).unwrap_or(u16::MAX);
        let regulator = RegulatorPlan {
            position: u8::try_from(row.position).unwrap_or(u8::MAX),
            regulator_id: row.regulator_id,
            nameplate: nameplate(row),
        };
        match units.last_mut().filter(|last| last.unit == unit) {
            Some(last) => last.regulators.push(regulator),
            None => units.push(UnitPlan {
                unit,
                profile: profiles.get(&row.profile, &row.profile_source),
                regulators: vec![regulator],
                interval: interval(row),
                link: link(row),
            }),
        }
    }
    let (endpoint_id, address) = rows.first().map_or((0, ""), |row| (row.endpoint_id, &row.address));
    EndpointPlan { endpoint_id, address: address.to_owned(), units }
}

fn interval(row: &Source) -> Duration {
    Duration::from_millis(u64::try_from(row.poll_interval_ms).unwrap_or(10_000))
}

fn link(row: &Source) -> LinkSettings {
    let read = LinkSettings::from_columns(
        row.master_address,
        row.integrity_interval_ms,
        &row.event_polls,
        &row.unsolicited,
        &row.time_sync,
    );
    // the columns' checks allow nothing else than what can be read
    read.unwrap_or_default()
}

fn nameplate(row: &Source) -> Nameplate {
    Nameplate {
        kva: row.kva.into(),
        rated_current_a: row.rated_current_a.into(),
        rated_voltage_v: row.rated_voltage_v.into(),
        pt_ratio: row.pt_ratio.into(),
        ct_ratio: row.ct_ratio.into(),
        voltage_base_v: row.voltage_base_v.into(),
        step_count: u32::try_from(row.step_count).unwrap_or(32),
        tap_min: row.tap_min,
        tap_max: row.tap_max,
        winding_type: WindingType::from_name(&row.winding_type).unwrap_or(WindingType::B),
        counter_modulus: u64::try_from(row.counter_modulus).unwrap_or(1 << 32),
        poll_interval_s: interval(row).as_secs_f64(),
    }
}
