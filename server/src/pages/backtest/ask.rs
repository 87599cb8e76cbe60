//! The form: what the address asks for, and what is prefilled.

use std::collections::BTreeSet;

use chrono::{NaiveDate, TimeDelta};
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    conditions::{Condition, Parameter, Settings},
};
use web::{
    backtest::{Field, Form, Parts},
    duration, words,
};

use super::Fields;
use crate::{
    backtest::{Ask, Part, check_days, refusal},
    detection::Thresholds,
    error::sentence,
    inventory::{Inventory, Named},
    pages::thresholds,
};

/// Days that are prefilled.
const USUAL_DAYS: i64 = 7;

/// The form, and what to run if it was sent to be run and nothing is wrong with it.
pub(super) fn read(
    fields: &Fields,
    inventory: &Inventory,
    thresholds: &Thresholds,
    now: Timestamp,
) -> (Form, Option<Ask>) {
    let get = |name: &str| fields.get(name).map(String::as_str);
    let condition = get("condition").and_then(Condition::from_name).unwrap_or(Condition::VoltageRangeA);
    let (part, mut fault) = match get("part").unwrap_or("fleet").parse::<Part>() {
        Ok(part) => (part, None),
        Err(why) => (Part::Fleet, Some(format!("{why}; choose one from the list."))),
    };
    let zone = inventory
        .regulators
        .values()
        .find(|r| part.holds(r))
        .map_or(Tz::UTC, |r| r.time_zone.parse().unwrap_or(Tz::UTC));
    let today = now.with_timezone(&zone).date_naive();
    let mut day = |name: &str, usual: NaiveDate| match get(name).filter(|t| !t.is_empty()).map(str::parse) {
        None => usual,
        Some(Ok(day)) => day,
        Some(Err(_)) => {
            fault =
                Some(format!("“{}” is not a day; write it as 2026-01-31.", get(name).unwrap_or_default()));
            usual
        }
    };
    let days = (day("from", today - TimeDelta::days(USUAL_DAYS - 1)), day("to", today));
    let in_force = in_force(inventory, thresholds, part);
    // Values that were typed for another condition mean nothing here.
    let typed = get("of").is_none_or(|of| of == condition.name()) && get("act") == Some("run");
    let of = |p: &'static Parameter| {
        let value = in_force.get(condition, p.name);
        field(p, value, get(&format!("v-{}", p.name)).filter(|_| typed))
    };
    let shown = refusal(condition).is_none();
    let (fields, values): (Vec<Field>, Vec<Option<f64>>) =
        condition.parameters().iter().filter(|_| shown).map(of).unzip();
    fault = fault
        .or_else(|| check_days(days).err().map(|e| sentence(&e)))
        .or_else(|| refusal(condition).map(|e| sentence(&e)))
        .or_else(|| out_of_order(&fields, &values));
    let set = fields.iter().zip(&values).filter_map(|(f, value)| {
        let value = (*value)?;
        differs(value, f.in_force).then(|| (f.parameter.name.to_owned(), value))
    });
    let ask = Ask { condition, set: set.collect(), part, days };
    let form = Form {
        condition,
        part: part.text(),
        parts: parts(inventory),
        from: days.0.to_string(),
        to: days.1.to_string(),
        fields,
        fault,
    };
    let ask = (typed && !is_faulty(&form)).then_some(ask);
    (form, ask)
}

/// Something on the form has to be mended first.
pub(super) fn is_faulty(form: &Form) -> bool {
    form.fault.is_some() || form.fields.iter().any(|f| f.fault.is_some())
}

fn differs(a: f64, b: f64) -> bool {
    (a - b).abs() > 1e-9 * (1.0 + b.abs())
}

fn field(parameter: &'static Parameter, in_force: f64, typed: Option<&str>) -> (Field, Option<f64>) {
    let Some(text) = typed else {
        let text = if parameter.unit == "s" { duration::text(in_force) } else { words::plain(in_force) };
        return (Field { parameter, typed: text, in_force, fault: None }, None);
    };
    let (value, fault) = match thresholds::read(text, parameter) {
        Ok(value) => (Some(value), None),
        Err(why) => (None, Some(why)),
    };
    (Field { parameter, typed: text.to_owned(), in_force, fault }, value)
}

/// A lowest value must stay below the highest.
fn out_of_order(fields: &[Field], values: &[Option<f64>]) -> Option<String> {
    let value =
        |name: &str| fields.iter().zip(values).find(|(f, _)| f.parameter.name == name)?.1.as_ref().copied();
    let (low, high) = (value("low_v")?, value("high_v")?);
    (low >= high).then(|| format!("The lowest value, {low} V, must be below the highest, {high} V."))
}

/// The values in force at a part of the fleet; a substation has none of its own.
fn in_force(inventory: &Inventory, thresholds: &Thresholds, part: Part) -> Settings {
    let within = inventory.regulators.values().find(|r| part.holds(r));
    match (part, within) {
        (Part::Feeder(id), _) => thresholds.at(Some(id), None, None),
        (Part::Site(id), Some(r)) => thresholds.at(Some(r.feeder.id), Some(id), None),
        (Part::Regulator(_), Some(r)) => thresholds.of_regulator(r),
        _ => thresholds.of_fleet(),
    }
}

fn parts(inventory: &Inventory) -> Vec<Parts> {
    let regulators = || inventory.regulators.values();
    let listed = |all: BTreeSet<(String, i32)>, part: fn(i32) -> Part| -> Vec<(String, String)> {
        all.into_iter().map(|(name, id)| (part(id).text(), name)).collect()
    };
    let path = |names: &[&Named]| names.iter().map(|n| n.name.as_str()).collect::<Vec<_>>().join(" › ");
    let substations = regulators().map(|r| (r.substation.name.clone(), r.substation.id)).collect();
    let feeders = regulators().map(|r| (path(&[&r.substation, &r.feeder]), r.feeder.id)).collect();
    let sites = regulators().map(|r| (path(&[&r.substation, &r.feeder, &r.site]), r.site.id)).collect();
    vec![
        Parts { title: "Substations", parts: listed(substations, Part::Substation) },
        Parts { title: "Feeders", parts: listed(feeders, Part::Feeder) },
        Parts { title: "Sites", parts: listed(sites, Part::Site) },
    ]
}
