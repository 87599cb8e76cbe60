//! What is known of each regulator besides its readings.

use std::collections::{BTreeMap, HashMap};

use chrono_tz::Tz;
use regulator::{
    causes::{Facts, Place},
    wear::WearModel,
};
use sqlx::PgConnection;

use crate::inventory::{self, Inventory, Regulator};

/// Poll intervals between two readings beyond which nobody knows where the tap was.
const GAP_POLLS: f64 = 6.0;
/// And at least this many seconds.
const GAP_LEAST_S: f64 = 120.0;

/// Everything in service.
#[derive(Debug, Default)]
pub(super) struct Fleet {
    version: i64,
    pub(super) regulators: BTreeMap<i32, Known>,
}

/// One regulator.
#[derive(Debug)]
pub(super) struct Known {
    pub(super) facts: Facts,
    pub(super) model: WearModel,
    pub(super) zone: Tz,
    pub(super) modulus: u64,
    pub(super) longest_gap_s: u64,
    /// The regulators between it and the substation, of its own phase where the sites have such.
    pub(super) upstream: Vec<i32>,
}

impl Fleet {
    /// Loads it anew if the inventory has changed.
    pub(super) async fn refresh(&mut self, connection: &mut PgConnection) -> sqlx::Result<()> {
        if inventory::version(&mut *connection).await? != self.version {
            *self = Self::of(&inventory::load(connection).await?);
        }
        Ok(())
    }

    pub(super) fn of(inventory: &Inventory) -> Self {
        let mut sites: HashMap<i32, Vec<&Regulator>> = HashMap::new();
        for regulator in inventory.regulators.values() {
            sites.entry(regulator.site.id).or_default().push(regulator);
        }
        let known = inventory.regulators.values().map(|r| (r.id, Known::of(r, upstream(&sites, r))));
        Self { version: inventory.version, regulators: known.collect() }
    }
}

impl Known {
    fn of(regulator: &Regulator, upstream: Vec<i32>) -> Self {
        let place = match regulator.place {
            Some((latitude, longitude)) => Place::Coordinates { latitude, longitude },
            None => Place::Unknown,
        };
        let nameplate = &regulator.nameplate;
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a poll interval is short and positive"
        )]
        let longest_gap_s = (GAP_POLLS * nameplate.poll_interval_s).max(GAP_LEAST_S) as u64;
        Self {
            facts: Facts::new(nameplate, place),
            model: WearModel::common(nameplate),
            zone: regulator.time_zone.parse().unwrap_or(Tz::UTC),
            modulus: nameplate.counter_modulus,
            longest_gap_s,
            upstream,
        }
    }
}

fn upstream(sites: &HashMap<i32, Vec<&Regulator>>, of: &Regulator) -> Vec<i32> {
    let mut found = vec![];
    let mut at = of.fed_from;
    // An inventory has no loops; if it had, this ends all the same.
    for _ in 0..sites.len() {
        let Some(here) = at.and_then(|site| sites.get(&site)) else { break };
        let own: Vec<i32> = here.iter().filter(|r| r.phase == of.phase).map(|r| r.id).collect();
        found.extend(if own.is_empty() { here.iter().map(|r| r.id).collect() } else { own });
        at = here.first().and_then(|r| r.fed_from);
    }
    found
}
