//! All regulators together: what the pages look at.

use std::{
    collections::{BTreeMap, HashMap, HashSet},
    sync::Arc,
};

use chrono_tz::Tz;
use regulator::Timestamp;
use web::{
    board::{Banner, Row, State},
    flood::FloodPanel,
};

use super::{OpenAlarm, Unit, alarms::OpenAlarms, day, flood::Told, sources::Sources, today::Today};
use crate::{feed::BatchReading, inventory::Inventory};

/// The fleet at one instant.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// Tells this process's picture from that of an earlier one.
    pub epoch: i64,
    /// Grows with every change of a row, a banner or the inventory.
    pub version: u64,
    /// The version in which the set of regulators last changed.
    pub rebuilt: u64,
    /// Why the picture may be blind.
    pub banners: Vec<Banner>,
    /// The alarm flood that goes on, if one does.
    pub flood: Option<FloodPanel>,
    pub(super) told: Told,
    pub(super) sources: Sources,
    /// The set of regulators has changed since the last version.
    pub(super) unannounced: bool,
    units: Vec<Unit>,
    index: HashMap<i32, usize>,
    alarms: OpenAlarms,
    zone: Tz,
}

impl Fleet {
    /// No regulators.
    #[must_use]
    pub fn empty(now: Timestamp) -> Self {
        Self {
            epoch: now.timestamp_millis(),
            version: 0,
            rebuilt: 0,
            banners: vec![],
            flood: None,
            told: Told::default(),
            sources: Sources::default(),
            unannounced: false,
            units: vec![],
            index: HashMap::new(),
            alarms: OpenAlarms::default(),
            zone: Tz::UTC,
        }
    }

    /// The regulators of an inventory, of which nothing is known yet.
    #[must_use]
    pub fn of(inventory: &Inventory, now: Timestamp) -> Self {
        let mut fleet = Self::empty(now);
        fleet.rebuild(inventory, now);
        fleet
    }

    /// Takes over a changed inventory; what is known of regulators that stay is loaded anew by the caller.
    pub(super) fn rebuild(&mut self, inventory: &Inventory, now: Timestamp) {
        let banks = banks_by_site(inventory);
        let unit = |r: &crate::inventory::Regulator| Unit::new(Arc::new(r.clone()), banks[&r.site.id], now);
        self.units = inventory.regulators.values().map(unit).collect();
        self.index = self.units.iter().enumerate().map(|(i, u)| (u.regulator.id, i)).collect();
        self.zone = commonest_zone(inventory);
        self.unannounced = true;
    }

    /// Takes readings in. One of a regulator that is not in the inventory is left to the next reload.
    pub fn take(&mut self, readings: impl IntoIterator<Item = BatchReading>) {
        for BatchReading { regulator_id, reading } in readings {
            if let Some(unit) = self.index.get(&regulator_id).and_then(|&i| self.units.get_mut(i)) {
                unit.take(reading);
            }
        }
    }

    /// Takes over the counts of operations.
    pub(super) fn count_from(&mut self, today: &HashMap<i32, Today>) {
        for unit in &mut self.units {
            if let Some(&today) = today.get(&unit.regulator.id) {
                unit.today = today;
                unit.dirty = true;
            }
        }
    }

    /// Takes over the open alarms.
    pub(super) fn alarm(&mut self, alarms: OpenAlarms) {
        if alarms == self.alarms {
            return;
        }
        for unit in &mut self.units {
            let r = &unit.regulator;
            unit.dirty |= alarms.of_regulator.get(&r.id) != self.alarms.of_regulator.get(&r.id)
                || alarms.under_maintenance.contains(&r.id) != self.alarms.under_maintenance.contains(&r.id)
                || alarms.of_endpoint.get(&r.endpoint_id) != self.alarms.of_endpoint.get(&r.endpoint_id)
                || alarms.of_substation.get(&r.substation.id)
                    != self.alarms.of_substation.get(&r.substation.id);
        }
        self.alarms = alarms;
    }

    /// Draws what has changed or grown old; the new version, if anything looks different.
    pub(super) fn redraw(&mut self, now: Timestamp) -> Option<u64> {
        let next = self.version + 1;
        let mut changed = self.unannounced;
        for unit in &mut self.units {
            let alarms = concerning(&self.alarms, unit);
            let maintenance = self.alarms.under_maintenance.contains(&unit.regulator.id);
            if unit.redraw(now, &alarms, maintenance) {
                unit.changed = next;
                changed = true;
            }
        }
        let banners = self.sources.banners(now, self.zone, &self.alarms.of_poller);
        changed |= banners != self.banners;
        self.banners = banners;
        let flood = self.told.panel(now, &self.alarms, &self.units, self.zone);
        changed |= flood != self.flood;
        self.flood = flood;
        if changed {
            if std::mem::take(&mut self.unannounced) {
                self.rebuilt = next;
            }
            self.version = next;
        }
        changed.then_some(next)
    }

    /// Every regulator, in order of id.
    #[must_use]
    pub fn units(&self) -> &[Unit] {
        &self.units
    }

    /// The regulators of one site, bank by bank and phase by phase.
    #[must_use]
    pub fn at_site(&self, site: i32) -> Vec<&Unit> {
        let mut units: Vec<_> = self.units.iter().filter(|u| u.regulator.site.id == site).collect();
        units.sort_by(|a, b| a.row.place.cmp(&b.row.place));
        units
    }

    /// Every row, in order of id.
    #[must_use]
    pub fn rows(&self) -> Vec<Arc<Row>> {
        self.units.iter().map(|u| Arc::clone(&u.row)).collect()
    }

    /// The rows that have changed after a version.
    #[must_use]
    pub fn rows_after(&self, version: u64) -> Vec<Arc<Row>> {
        self.units.iter().filter(|u| u.changed > version).map(|u| Arc::clone(&u.row)).collect()
    }

    /// How many regulators are in each state.
    #[must_use]
    pub fn counts(&self) -> BTreeMap<State, usize> {
        let mut counts: BTreeMap<_, _> = State::ALL.iter().map(|&s| (s, 0)).collect();
        for unit in &self.units {
            *counts.entry(unit.row.live.state).or_default() += 1;
        }
        counts
    }

    /// Substations by name, with their ids.
    #[must_use]
    pub fn substations(&self) -> Vec<(String, i32)> {
        let named: HashSet<_> =
            self.units.iter().map(|u| (&u.regulator.substation.name, u.regulator.substation.id)).collect();
        let mut named: Vec<_> = named.into_iter().map(|(name, id)| (name.clone(), id)).collect();
        named.sort();
        named
    }
}

/// The alarms that concern one regulator, most urgent first: its own, those of its endpoint and of its substation.
fn concerning<'a>(alarms: &'a OpenAlarms, unit: &Unit) -> Vec<&'a OpenAlarm> {
    let own = alarms.of_regulator.get(&unit.regulator.id);
    let endpoint = alarms.of_endpoint.get(&unit.regulator.endpoint_id);
    let substation = alarms.of_substation.get(&unit.regulator.substation.id);
    let mut all: Vec<_> = own.into_iter().chain(endpoint).chain(substation).flatten().collect();
    all.sort_by_key(|a| std::cmp::Reverse(a.priority));
    all
}

fn banks_by_site(inventory: &Inventory) -> HashMap<i32, usize> {
    let mut banks: HashMap<i32, HashSet<i32>> = HashMap::new();
    for r in inventory.regulators.values() {
        banks.entry(r.site.id).or_default().insert(r.bank.id);
    }
    banks.into_iter().map(|(site, banks)| (site, banks.len())).collect()
}

/// The zone that most sites are in, for what concerns all of them.
fn commonest_zone(inventory: &Inventory) -> Tz {
    let mut uses: BTreeMap<&str, usize> = BTreeMap::new();
    for r in inventory.regulators.values() {
        *uses.entry(&r.time_zone).or_default() += 1;
    }
    uses.into_iter().max_by_key(|(_, n)| *n).map_or(Tz::UTC, |(name, _)| day::zone(name))
}
