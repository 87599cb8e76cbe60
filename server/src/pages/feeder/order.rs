//! A feeder's regulators in order from the substation, and who is upstream of whom.

use std::collections::{BTreeMap, BTreeSet};

use crate::picture::Unit;

/// Sites in order from the substation, each branch to its end before the next, by name where the inventory tells no more; the
/// regulators of a site by bank and phase. A site whose feeding site is not on this feeder counts as fed from the substation.
pub(super) fn from_substation(mut units: Vec<Unit>) -> Vec<Unit> {
    units.sort_by(|a, b| a.row.place.cmp(&b.row.place));
    let mut fed_by: BTreeMap<Option<i32>, Vec<i32>> = BTreeMap::new();
    let here: BTreeSet<i32> = units.iter().map(|u| u.regulator.site.id).collect();
    let mut listed = BTreeSet::new();
    for unit in &units {
        let r = &unit.regulator;
        if listed.insert(r.site.id) {
            fed_by.entry(r.fed_from.filter(|s| here.contains(s))).or_default().push(r.site.id);
        }
    }
    let mut places = BTreeMap::new();
    let mut next: Vec<i32> = fed_by.get(&None).into_iter().flatten().rev().copied().collect();
    while let Some(site) = next.pop() {
        let place = places.len();
        if places.insert(site, place).is_none() {
            next.extend(fed_by.get(&Some(site)).into_iter().flatten().rev());
        }
    }
    // An inventory has no loops; what hung in one would come last.
    units.sort_by_key(|u| places.get(&u.regulator.site.id).copied().unwrap_or(usize::MAX));
    units
}

/// Index of the next regulator upstream: of the same phase where the feeding site has one, else its first.
pub(super) fn upstream(units: &[Unit], of: &Unit) -> Option<usize> {
    let site = of.regulator.fed_from?;
    let there = || units.iter().enumerate().filter(|(_, u)| u.regulator.site.id == site);
    let same = there().find(|(_, u)| u.regulator.phase == of.regulator.phase);
    same.or_else(|| there().next()).map(|(index, _)| index)
}
