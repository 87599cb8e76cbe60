//! What the settings show: `regulator::feeder`'s reviews over the regulators of one feeder.

use std::collections::BTreeMap;

use regulator::{
    Quantity,
    compensator::{Compensator, PerUnitCurrent},
    conditions::{Condition, Settings},
    feeder::{self, Coordination, Expected, Kind, Peak, Stage, Standard, Weight},
    taps::Bases,
};
use sqlx::PgConnection;
use web::{board::number, feeder::Finding, thresholds::with_unit};

use super::order;
use crate::{detection::Thresholds, inventory::Regulator, pages::trend, picture::Unit};

/// Days over which the peak is sought.
const PEAK_DAYS: i32 = 30;
/// Upper edge of ANSI C84.1 range A on a base of 120 V, as share of the base.
const RANGE_A_HIGH: f64 = 1.05;

/// The hour of highest mean current of each regulator: voltage (V), current (A), power (kW, where known).
pub(super) type Peaks = BTreeMap<i32, (f64, f64, Option<f64>)>;

pub(super) async fn peaks(db: &mut PgConnection, regulators: &[i32]) -> sqlx::Result<Peaks> {
    let rows = sqlx::query!(
        r#"select distinct on (regulator_id) regulator_id,
                load_voltage_sum / load_voltage_n as "voltage!", current_sum / current_n as "current!",
                case when real_power_n > 0 then real_power_sum / real_power_n end as power
            from rollup_hour
            where regulator_id = any($1) and bucket > now() - make_interval(days => $2) and current_n > 0 and load_voltage_n > 0
            order by regulator_id, current_sum / current_n desc"#,
        regulators,
        PEAK_DAYS
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|r| (r.regulator_id, (r.voltage, r.current, r.power))).collect())
}

/// All findings, in the order of the regulators; those that want a look first. Alike ones of one site are told once.
pub(super) fn review(units: &[Unit], thresholds: &Thresholds, peaks: &Peaks) -> Vec<Finding> {
    let names: Vec<String> = units
        .iter()
        .map(|u| format!("{} {}", u.regulator.site.name, trend::name(u).to_lowercase()))
        .collect();
    let stages: Vec<Stage<'_>> =
        units.iter().zip(&names).map(|(u, name)| stage(u, name, order::upstream(units, u))).collect();
    let at_peak: Vec<Peak> =
        units.iter().enumerate().filter_map(|(i, u)| peak(i, u, peaks.get(&u.regulator.id)?)).collect();
    let mut found = feeder::review(&stages, &Coordination::default(), &Standard::default(), &at_peak);
    for (i, (unit, stage)) in units.iter().zip(&stages).enumerate() {
        let settings = thresholds.of_regulator(&unit.regulator);
        let standard = standard(&settings, unit.regulator.nameplate.voltage_base_v);
        let of_it = feeder::against_standard(std::slice::from_ref(stage), &standard);
        found.extend(of_it.into_iter().map(|f| feeder::Finding { stage: i, ..f }));
    }
    found.sort_by_key(|f| (std::cmp::Reverse(f.weight), f.stage, f.kind));
    told(units, found)
}

/// Findings of one site that differ in nothing but the phase are one line. A name upstream carries a phase of its own, which goes
/// with this one's.
fn told(units: &[Unit], found: Vec<feeder::Finding>) -> Vec<Finding> {
    let mut lines: Vec<(Finding, Vec<String>)> = vec![];
    for f in found {
        let unit = &units[f.stage];
        let name = trend::name(unit);
        let words = f.words.replace(&format!(" {}, upstream", name.to_lowercase()), ", upstream");
        let site_id = unit.regulator.site.id;
        let alike = |(line, _): &&mut (Finding, Vec<String>)| line.site_id == site_id && line.words == words;
        if let Some((_, names)) = lines.iter_mut().find(alike) {
            names.push(name);
            continue;
        }
        let line = Finding {
            site_id,
            whose: unit.regulator.site.name.clone(),
            kind: kind(f.kind),
            attention: f.weight == Weight::Attention,
            words,
        };
        lines.push((line, vec![name]));
    }
    let named = |(line, names): (Finding, Vec<String>)| {
        let short: Vec<&str> = names.iter().map(|n| n.strip_prefix("Phase ").unwrap_or(n)).collect();
        Finding { whose: format!("{} {}", line.whose, short.join(", ")), ..line }
    };
    lines.into_iter().map(named).collect()
}

const fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::DelayOrder => "Order of delays",
        Kind::OffStandard => "Off the standard",
        Kind::NarrowBand => "Narrow band",
        Kind::FirstHouse => "First customer's voltage",
    }
}

fn stage<'a>(unit: &Unit, name: &'a str, upstream: Option<usize>) -> Stage<'a> {
    let good = |q| unit.latest.as_ref().and_then(|l| l.good(q));
    let compensator = good(Quantity::LdcResistance)
        .zip(good(Quantity::LdcReactance))
        .map(|(resistance_v, reactance_v)| Compensator { resistance_v, reactance_v });
    Stage {
        set_voltage_v: good(Quantity::SetVoltage),
        bandwidth_v: good(Quantity::Bandwidth),
        delay_s: good(Quantity::TimeDelay),
        compensator,
        step_v: unit.regulator.nameplate.step_volts(),
        ..Stage::new(name, upstream)
    }
}

/// The load at the hour of highest current; what of the current carries no real power is taken to lag.
fn peak(
    stage: usize,
    unit: &Unit,
    &(voltage_v, current_a, power_kw): &(f64, f64, Option<f64>),
) -> Option<Peak> {
    let plate = &unit.regulator.nameplate;
    let bases = Bases::of(plate)?;
    let magnitude = current_a / bases.ct_primary_a();
    let in_phase = bases.current(voltage_v, power_kw?, 0.0)?.in_phase;
    let lagging = magnitude.mul_add(magnitude, -(in_phase * in_phase)).max(0.0).sqrt();
    let current = PerUnitCurrent { in_phase, lagging };
    Some(Peak { stage, current, limit_v: RANGE_A_HIGH * plate.voltage_base_v })
}

/// The standard by the thresholds in force; stated on a base of 120 V, as the condition has it.
fn standard(settings: &Settings, base_v: f64) -> Standard {
    let get = |name| settings.get(Condition::OffStandard, name);
    let scale = base_v / 120.0;
    let expected = |name, scale: f64, tolerance: f64| Expected { value: get(name) * scale, tolerance };
    let volts = |name| expected(name, scale, get("tolerance_v") * scale);
    let stated = |e: Expected| (e.value != 0.0).then_some(e);
    let compensator = get("judge_compensator") >= 0.5;
    Standard {
        set_voltage_v: stated(volts("standard_set_voltage_v")),
        bandwidth_v: stated(volts("standard_bandwidth_v")),
        delay_s: stated(expected("standard_delay_s", 1.0, get("tolerance_s"))),
        resistance_v: compensator.then(|| volts("standard_ldc_r_v")),
        reactance_v: compensator.then(|| volts("standard_ldc_x_v")),
    }
}

/// The feeder's standard in words.
pub(super) fn standard_words(thresholds: &Thresholds, first: &Regulator) -> Vec<String> {
    let of_feeder = standard(&thresholds.at(Some(first.feeder.id), None, None), 120.0);
    let words = |(what, unit, expected): (&str, &str, Option<Expected>)| {
        let e = expected?;
        Some(format!("{what} {} ± {}", with_unit(e.value, unit), with_unit(e.tolerance, unit)))
    };
    [
        ("set voltage", "V", of_feeder.set_voltage_v),
        ("bandwidth", "V", of_feeder.bandwidth_v),
        ("delay", "s", of_feeder.delay_s),
        ("compensator R", "V", of_feeder.resistance_v),
        ("compensator X", "V", of_feeder.reactance_v),
    ]
    .into_iter()
    .filter_map(words)
    .collect()
}

/// What the first customer's voltage is judged at.
pub(super) fn peak_note(peaks: &Peaks) -> String {
    if peaks.is_empty() {
        return "Compensators are not judged: no hour with a current is recorded.".to_owned();
    }
    let highest = peaks.values().map(|p| p.1).fold(0.0, f64::max);
    format!(
        "Compensators are judged at each regulator's hour of highest mean current in {PEAK_DAYS} days (up to {}), against 126 V on a base \
         of 120 V (ANSI C84.1 range A); current that carries no real power is taken to lag, and the CT to give 0.2 A at its rating.",
        number(highest, 0, "A")
    )
}
