//! What readings are judged by: the inventory and the thresholds, worked out for each regulator and endpoint.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use regulator::{
    Phase,
    conditions::{AreaLimits, BankUnit, Member, Settings, Unit},
};
use sqlx::PgConnection;

use super::thresholds::Thresholds;
use crate::{
    alarms::Relations,
    inventory::{self, Inventory},
};

/// Everything in service and its limits.
#[derive(Debug)]
pub(super) struct Fleet {
    version: i64,
    thresholds: Thresholds,
    pub(super) regulators: HashMap<i32, Judged>,
    pub(super) banks: HashMap<i32, JudgedBank>,
    /// Regulators in service by site, in order of their ids: they stand on one bus.
    pub(super) sites: HashMap<i32, Vec<i32>>,
    pub(super) endpoints: HashMap<i32, Settings>,
    pub(super) settings: Settings,
    /// The endpoints of each substation.
    pub(super) substations: BTreeMap<i32, Vec<i32>>,
    pub(super) substation_limits: AreaLimits,
    pub(super) reach_limits: AreaLimits,
    /// Who belongs to whom, but for the pollers, which memory knows.
    pub(super) relations: Relations,
    /// Pollers in service: those that keep a health record. Whoever takes one out of service removes its record.
    pub(super) pollers: BTreeSet<String>,
}

/// One regulator.
#[derive(Debug)]
pub(super) struct Judged {
    pub(super) unit: Unit,
    pub(super) endpoint_id: i32,
    pub(super) bank_id: i32,
    pub(super) phase: Phase,
    pub(super) site_id: i32,
    /// Secondary base of its control, V.
    pub(super) base_v: f64,
    pub(super) poll_interval_s: f64,
}

/// One bank.
#[derive(Debug)]
pub(super) struct JudgedBank {
    pub(super) unit: BankUnit,
    /// Its regulators in service; alarms of the bank are listed under the first.
    pub(super) members: Vec<i32>,
}

impl Fleet {
    /// Loads anew what has changed since.
    pub(super) async fn refresh(&mut self, connection: &mut PgConnection) -> sqlx::Result<()> {
        let version = inventory::version(&mut *connection).await?;
        let thresholds = Thresholds::load(&mut *connection).await?;
        let pollers =
            sqlx::query_scalar!("select poller from poller_health").fetch_all(&mut *connection).await?;
        self.pollers = pollers.into_iter().collect();
        if version == self.version && thresholds == self.thresholds {
            return Ok(());
        }
        let inventory = inventory::load(connection).await?;
        *self = Self { pollers: std::mem::take(&mut self.pollers), ..Self::new(&inventory, thresholds) };
        Ok(())
    }

    fn new(inventory: &Inventory, thresholds: Thresholds) -> Self {
        let regulators = inventory.regulators.values().map(|r| {
            let unit = Unit::new(&r.nameplate, &thresholds.of_regulator(r));
            let judged = Judged {
                unit,
                endpoint_id: r.endpoint_id,
                bank_id: r.bank.id,
                phase: r.phase,
                site_id: r.site.id,
                base_v: r.nameplate.voltage_base_v,
                poll_interval_s: r.nameplate.poll_interval_s,
            };
            (r.id, judged)
        });
        let endpoints = inventory.endpoints.values().map(|e| {
            let first = e.regulators.first().and_then(|id| inventory.regulators.get(id));
            (e.id, first.map_or_else(|| thresholds.of_fleet(), |r| thresholds.of_site_of(r)))
        });
        let relations = relations(inventory);
        let mut sites: HashMap<i32, Vec<i32>> = HashMap::new();
        for r in inventory.regulators.values() {
            sites.entry(r.site.id).or_default().push(r.id);
        }
        Self {
            version: inventory.version,
            regulators: regulators.collect(),
            banks: banks(inventory, &thresholds),
            sites,
            endpoints: endpoints.collect(),
            settings: thresholds.of_fleet(),
            substations: substations(&relations),
            substation_limits: AreaLimits::of_substation(&thresholds.of_fleet()),
            reach_limits: AreaLimits::of_poller(&thresholds.of_fleet()),
            relations,
            thresholds,
            pollers: BTreeSet::new(),
        }
    }
}

impl Default for Fleet {
    /// Of nothing, at a version that no inventory has.
    fn default() -> Self {
        Self::new(&Inventory::default(), Thresholds::default())
    }
}

fn relations(inventory: &Inventory) -> Relations {
    let mut relations = Relations::default();
    for regulator in inventory.regulators.values() {
        relations.endpoint_of.insert(regulator.id, regulator.endpoint_id);
        relations.substations_of.entry(regulator.endpoint_id).or_default().insert(regulator.substation.id);
    }
    relations
}

fn substations(relations: &Relations) -> BTreeMap<i32, Vec<i32>> {
    let mut endpoints: BTreeMap<i32, Vec<i32>> = BTreeMap::new();
    for (endpoint, substations) in &relations.substations_of {
        for substation in substations {
            endpoints.entry(*substation).or_default().push(*endpoint);
        }
    }
    endpoints
}

fn banks(inventory: &Inventory, thresholds: &Thresholds) -> HashMap<i32, JudgedBank> {
    let mut members: BTreeMap<i32, Vec<&inventory::Regulator>> = BTreeMap::new();
    for regulator in inventory.regulators.values() {
        members.entry(regulator.bank.id).or_default().push(regulator);
    }
    let judged = members.into_iter().filter_map(|(bank, of_it)| {
        let first = of_it.first()?;
        let plates: Vec<Member> = of_it.iter().map(|r| Member::new(r.phase, &r.nameplate)).collect();
        // A bank is a part of its site: what is set for one regulator alone is not the bank's.
        let unit = BankUnit::new(first.connection, &plates, &thresholds.of_site_of(first));
        Some((bank, JudgedBank { unit, members: of_it.iter().map(|r| r.id).collect() }))
    });
    judged.collect()
}
