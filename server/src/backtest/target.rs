//! Which regulators or banks are judged, and by what.

use std::{cmp::Ordering, str::FromStr};

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::{
    Phase, Timestamp,
    backtest::Run,
    conditions::{Member, Scope, Settings},
};

use super::Ask;
use crate::{
    detection::Thresholds,
    inventory::{Inventory, Regulator},
    picture::day::midnight,
};

/// A part of the fleet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[allow(missing_docs, reason = "the names are the whole story; each holds its number")]
pub enum Part {
    #[default]
    Fleet,
    Substation(i32),
    Feeder(i32),
    Site(i32),
    Regulator(i32),
}

impl Part {
    /// Whether a regulator is in it.
    #[must_use]
    pub fn holds(self, regulator: &Regulator) -> bool {
        match self {
            Self::Fleet => true,
            Self::Substation(id) => regulator.substation.id == id,
            Self::Feeder(id) => regulator.feeder.id == id,
            Self::Site(id) => regulator.site.id == id,
            Self::Regulator(id) => regulator.id == id,
        }
    }

    /// As forms carry it: `fleet`, `feeder:10001`.
    #[must_use]
    pub fn text(self) -> String {
        match self {
            Self::Fleet => "fleet".to_owned(),
            Self::Substation(id) => format!("substation:{id}"),
            Self::Feeder(id) => format!("feeder:{id}"),
            Self::Site(id) => format!("site:{id}"),
            Self::Regulator(id) => format!("regulator:{id}"),
        }
    }
}

impl FromStr for Part {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let unknown = || format!("“{text}” names no part of the fleet");
        if text == "fleet" {
            return Ok(Self::Fleet);
        }
        let (kind, id) = text.split_once(':').ok_or_else(unknown)?;
        let id = id.parse().map_err(|_| unknown())?;
        Ok(match kind {
            "substation" => Self::Substation(id),
            "feeder" => Self::Feeder(id),
            "site" => Self::Site(id),
            "regulator" => Self::Regulator(id),
            _ => return Err(unknown()),
        })
    }
}

/// One regulator, or one bank.
pub(super) struct Target {
    pub(super) name: String,
    pub(super) site_id: i32,
    /// The bank, where it is judged as a whole.
    pub(super) bank_id: Option<i32>,
    pub(super) members: Vec<(i32, Phase)>,
    pub(super) zone: Tz,
    pub(super) span: (Timestamp, Timestamp),
    /// With the values in force, and with those to try.
    pub(super) runs: (Run, Run),
}

/// What is judged, by place.
pub(super) fn of(inventory: &Inventory, thresholds: &Thresholds, ask: &Ask) -> Vec<Target> {
    let mut regulators: Vec<&Regulator> =
        inventory.regulators.values().filter(|r| ask.part.holds(r)).collect();
    regulators.sort_by(|a, b| by_place(a, b));
    match ask.condition.scope() {
        Scope::Bank => regulators
            .chunk_by(|a, b| a.bank.id == b.bank.id)
            .filter_map(|members| bank(inventory, thresholds, ask, members))
            .collect(),
        _ => regulators.into_iter().filter_map(|r| regulator(thresholds, ask, r)).collect(),
    }
}

fn by_place(a: &Regulator, b: &Regulator) -> Ordering {
    let key = |r: &'_ Regulator| {
        (r.substation.name.clone(), r.feeder.name.clone(), r.site.name.clone(), r.bank.name.clone(), r.phase)
    };
    key(a).cmp(&key(b))
}

fn regulator(thresholds: &Thresholds, ask: &Ask, r: &Regulator) -> Option<Target> {
    let before = thresholds.of_regulator(r);
    let run = |settings: &Settings| Run::of_regulator(ask.condition, &r.nameplate, settings).ok();
    let runs = (run(&before)?, run(&tried(&before, ask))?);
    Some(target(
        ask,
        r,
        &format!("{} {} {}", r.site.name, r.bank.name, r.phase.title()),
        None,
        vec![(r.id, r.phase)],
        runs,
    ))
}

/// A bank is judged by all its regulators, whichever of them the part holds.
fn bank(inventory: &Inventory, thresholds: &Thresholds, ask: &Ask, of_part: &[&Regulator]) -> Option<Target> {
    let first = *of_part.first()?;
    let of_it: Vec<&Regulator> =
        inventory.regulators.values().filter(|r| r.bank.id == first.bank.id).collect();
    let before = thresholds.of_site_of(first);
    let plates: Vec<Member> = of_it.iter().map(|r| Member::new(r.phase, &r.nameplate)).collect();
    let run = |settings: &Settings| Run::of_bank(ask.condition, first.connection, &plates, settings).ok();
    let runs = (run(&before)?, run(&tried(&before, ask))?);
    let members = of_it.iter().map(|r| (r.id, r.phase)).collect();
    Some(target(
        ask,
        first,
        &format!("{} {}", first.site.name, first.bank.name),
        Some(first.bank.id),
        members,
        runs,
    ))
}

fn tried(before: &Settings, ask: &Ask) -> Settings {
    let mut after = before.clone();
    for (parameter, value) in &ask.set {
        after.set(ask.condition, parameter, *value);
    }
    after
}

fn target(
    ask: &Ask,
    r: &Regulator,
    name: &str,
    bank_id: Option<i32>,
    members: Vec<(i32, Phase)>,
    runs: (Run, Run),
) -> Target {
    let zone = r.time_zone.parse().unwrap_or(Tz::UTC);
    let span = (midnight(ask.days.0, zone), midnight(ask.days.1 + TimeDelta::days(1), zone));
    let name = format!("{} › {} › {name}", r.substation.name, r.feeder.name);
    Target { name, site_id: r.site.id, bank_id, members, zone, span, runs }
}
