//! The place that an address names, and what lies below it.

use std::collections::BTreeMap;

use web::board::Choice;

use crate::{
    error::WebError,
    picture::{Fleet, Unit},
};

/// A place with its regulators.
pub(super) struct Place {
    pub(super) name: String,
    pub(super) ids: Vec<i32>,
    /// The place above: name and key.
    pub(super) above: Option<(String, String)>,
    /// What the places below are.
    pub(super) below_kind: &'static str,
    pub(super) below: Vec<Below>,
}

/// A part of a place.
pub(super) struct Below {
    pub(super) name: String,
    pub(super) key: String,
    pub(super) ids: Vec<i32>,
}

impl Place {
    /// The place of a key: `fleet`, or a kind and a number.
    pub(super) fn find(fleet: &Fleet, key: &str) -> Result<Self, WebError> {
        let (kind, id) = match key.split_once(':') {
            Some((kind, id)) => (kind, id.parse::<i32>().ok()),
            None => (key, None),
        };
        let is_at = |unit: &&Unit| {
            let place = &unit.row.place;
            match kind {
                "fleet" => true,
                "substation" => Some(place.substation_id) == id,
                "feeder" => Some(place.feeder_id) == id,
                "regulator" => Some(unit.regulator.id) == id,
                _ => false,
            }
        };
        let units: Vec<&Unit> = fleet.units().iter().filter(is_at).collect();
        let first = units.first().map(|unit| &unit.row.place);
        let (name, above) = match (kind, first) {
            ("fleet", _) => ("the fleet".to_owned(), None),
            ("substation", Some(p)) => (p.substation.clone(), Some(("Fleet".to_owned(), "fleet".to_owned()))),
            ("feeder", Some(p)) => {
                (p.feeder.clone(), Some((p.substation.clone(), format!("substation:{}", p.substation_id))))
            }
            ("regulator", Some(p)) => {
                (p.short(), Some((p.feeder.clone(), format!("feeder:{}", p.feeder_id))))
            }
            _ => return Err(WebError::NotFound(format!("place “{key}” with a regulator in service"))),
        };
        let (below_kind, below) = below(kind, &units);
        Ok(Self { name, ids: units.iter().map(|unit| unit.regulator.id).collect(), above, below_kind, below })
    }
}

fn below(kind: &str, units: &[&Unit]) -> (&'static str, Vec<Below>) {
    let part = |unit: &Unit| {
        let place = &unit.row.place;
        match kind {
            "fleet" => (place.substation.clone(), format!("substation:{}", place.substation_id)),
            "substation" => (place.feeder.clone(), format!("feeder:{}", place.feeder_id)),
            _ => (place.short(), format!("regulator:{}", unit.regulator.id)),
        }
    };
    let name = match kind {
        "fleet" => "substation",
        "substation" => "feeder",
        _ => "regulator",
    };
    let mut parts: BTreeMap<(String, String), Vec<i32>> = BTreeMap::new();
    for unit in units.iter().filter(|_| kind != "regulator") {
        parts.entry(part(unit)).or_default().push(unit.regulator.id);
    }
    (name, parts.into_iter().map(|((name, key), ids)| Below { name, key, ids }).collect())
}

/// Places for a form; the regulators of the chosen one's feeder where one is chosen.
pub(super) fn choices(fleet: &Fleet, chosen: &str) -> Vec<(&'static str, Vec<Choice>)> {
    let choice = |(title, value): (String, String)| Choice { chosen: value == chosen, value, title };
    let named = |of: &dyn Fn(&Unit) -> Option<(String, String)>| -> Vec<Choice> {
        let all: std::collections::BTreeSet<_> = fleet.units().iter().filter_map(of).collect();
        all.into_iter().map(choice).collect()
    };
    let feeder = fleet.units().iter().find(|u| format!("regulator:{}", u.regulator.id) == chosen);
    let feeder = feeder.map(|u| u.row.place.feeder_id);
    let substations = named(&|u| {
        let p = &u.row.place;
        Some((p.substation.clone(), format!("substation:{}", p.substation_id)))
    });
    let feeders = named(&|u| {
        let p = &u.row.place;
        Some((format!("{} › {}", p.substation, p.feeder), format!("feeder:{}", p.feeder_id)))
    });
    let regulators = named(&|u| {
        let p = &u.row.place;
        (Some(p.feeder_id) == feeder).then(|| (p.short(), format!("regulator:{}", u.regulator.id)))
    });
    let whole = vec![choice(("The fleet".to_owned(), "fleet".to_owned()))];
    let all = [("", whole), ("Substations", substations), ("Feeders", feeders), ("Regulators", regulators)];
    all.into_iter().filter(|(_, choices)| !choices.is_empty()).collect()
}
