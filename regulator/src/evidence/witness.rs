//! The witnesses, each heard by itself.

use super::{Item, Records, Says, What};
use crate::{
    Quality, Quantity, Reading, Timestamp,
    audit::Verdict,
    counter::{self, Step},
    flow::direction::{self, Direction},
    taps::TapChanger,
};

/// Values older than so many poll intervals, or this, whichever is longer, are silent, seconds.
const OLD_POLLS: f64 = 6.0;
const OLD_S: f64 = 120.0;
/// Readings that the voltage difference is averaged over.
const AVERAGED: usize = 30;
/// A unit's own drop at rated current, per unit (common practice: a few tenths of a per cent).
const DROP_SHARE: f64 = 0.003;

/// The latest word on a quantity: value, quality and age.
struct Latest {
    /// A good one that is not too old.
    usable: Option<f64>,
    quality: Quality,
    age_s: Option<i64>,
}

impl Latest {
    fn of(records: &Records<'_>, quantity: Quantity) -> Self {
        let Some(reading) =
            records.readings.iter().rev().find(|r| r.quality(quantity) != Quality::NotReported)
        else {
            return Self { usable: None, quality: Quality::NotReported, age_s: None };
        };
        let age_s = age_s(records.now, reading, quantity);
        let fresh = is_fresh(records, age_s);
        let quality = reading.quality(quantity);
        let quality = if quality == Quality::Good && !fresh { Quality::Stale } else { quality };
        Self { usable: reading.good(quantity).filter(|_| fresh), quality, age_s: Some(age_s) }
    }

    fn item(&self, what: What, says: Says, detail: String) -> Item {
        Item { what, says, detail, quality: self.quality, age_s: self.age_s }
    }

    fn silent(&self, what: What) -> Item {
        self.item(what, Says::Silent, format!("no usable value: {}", self.quality.title()))
    }
}

fn age_s(now: Timestamp, reading: &Reading, quantity: Quantity) -> i64 {
    let carried = i64::try_from(reading.age(quantity).seconds()).unwrap_or(i64::MAX / 2);
    (now - reading.measured_at).num_seconds().saturating_add(carried)
}

fn is_fresh(records: &Records<'_>, age_s: i64) -> bool {
    #[allow(clippy::cast_precision_loss, reason = "seconds of years")]
    let age_s = age_s as f64;
    // a value from the future has a wrong clock behind it
    (-OLD_S..=OLD_S.max(OLD_POLLS * records.nameplate.poll_interval_s)).contains(&age_s)
}

const fn neutral_if(yes: bool) -> Says {
    if yes { Says::ForNeutral } else { Says::AgainstNeutral }
}

pub(super) fn reported_tap(records: &Records<'_>) -> Item {
    let latest = Latest::of(records, Quantity::Tap);
    let what = What::ReportedTap;
    latest.usable.map_or_else(
        || latest.silent(what),
        |tap| latest.item(what, neutral_if(tap == 0.0), format!("tap {tap:+}")),
    )
}

pub(super) fn neutral_indicator(records: &Records<'_>) -> Item {
    let latest = Latest::of(records, Quantity::AtNeutral);
    let what = What::NeutralIndicator;
    let words = |on| if on { "on" } else { "off" };
    latest.usable.map_or_else(
        || latest.silent(what),
        |on| latest.item(what, neutral_if(on != 0.0), words(on != 0.0).to_owned()),
    )
}

/// Both voltages as they are. Context: it says nothing either way.
pub(super) fn voltages(records: &Records<'_>) -> Item {
    let both = [("load", Quantity::LoadVoltage), ("source", Quantity::SourceVoltage)]
        .map(|(name, quantity)| (name, Latest::of(records, quantity)));
    let words = |(name, latest): &(&str, Latest)| match latest.usable {
        Some(volts) => format!("{name} {volts:.1} V"),
        None => format!("{name} without usable value: {}", latest.quality.title()),
    };
    let detail = both.iter().map(words).collect::<Vec<_>>().join(", ");
    let [(_, load), (_, source)] = both;
    let worse = if load.usable.is_none() { load } else { source };
    worse.item(What::Voltages, Says::Silent, detail)
}

/// Which way power flows, by the newest reading that has it. Context: it says nothing either way.
pub(super) fn power_direction(records: &Records<'_>) -> Item {
    let latest = Latest::of(records, Quantity::RealPower);
    let what = What::PowerDirection;
    let Some(power) = latest.usable else { return latest.silent(what) };
    let reading =
        records.readings.iter().rev().find(|r| r.quality(Quantity::RealPower) != Quality::NotReported);
    let judged = reading.map(|r| direction::of(records.nameplate, r));
    let times = |margin: f64| format!("{power:+.0} kW, {margin:.1} times what metering can be wrong by");
    let detail = match judged {
        Some(Direction::Forward { margin }) => format!("from source to load: {}", times(margin)),
        Some(Direction::Reverse { margin }) => format!("reversed, from load to source: {}", times(margin)),
        Some(Direction::Unknown(why)) => format!("cannot be told at {power:+.0} kW: {}", why.words()),
        None => "cannot be told".to_owned(),
    };
    latest.item(what, Says::Silent, detail)
}

/// The mean over the last readings at the present tap, against what accuracy allows at neutral.
pub(super) fn voltage_difference(records: &Records<'_>) -> Item {
    let what = What::VoltageDifference;
    let (load, source) =
        (Latest::of(records, Quantity::LoadVoltage), Latest::of(records, Quantity::SourceVoltage));
    let worse = if load.usable.is_none() { &load } else { &source };
    if load.usable.is_none() || source.usable.is_none() {
        return worse.silent(what);
    }
    let (tap, counted) = records
        .readings
        .last()
        .map_or((None, None), |r| (r.good(Quantity::Tap), r.good(Quantity::Operations)));
    // beside an operation the two voltages may belong to different taps: only what was read since
    let same = |r: &&Reading| r.good(Quantity::Tap) == tap && r.good(Quantity::Operations) == counted;
    let differences: Vec<f64> = (records.readings.iter().rev().take_while(same).take(AVERAGED))
        .filter(|r| is_fresh(records, age_s(records.now, r, Quantity::LoadVoltage)))
        .filter_map(|r| Some(r.good(Quantity::LoadVoltage)? - r.good(Quantity::SourceVoltage)?))
        .collect();
    if differences.len() < 2 {
        return worse.item(what, Says::Silent, "too few readings since the tap last moved".to_owned());
    }
    #[allow(clippy::cast_precision_loss, reason = "a few readings")]
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let step_v = records.nameplate.step_volts();
    let error_v = records.limits.bound_steps() * step_v + DROP_SHARE * records.nameplate.voltage_base_v;
    let mut detail = format!(
        "{mean:+.1} V; neutral would show 0 V, give or take {error_v:.1} V for the accuracy of the two measurements and for \
         the unit's own drop; a step is {step_v:.2} V, so taps up to {:.0} either side of neutral could look the same",
        (error_v / step_v).ceil()
    );
    let fits_neutral = mean.abs() <= error_v;
    // a step or two off neutral the voltages fit the reported tap as well: they then tell neither from the other
    let off = tap.filter(|tap| *tap != 0.0).zip(source.usable);
    let expected = off.map(|(tap, source_v)| source_v * (TapChanger::of(records.nameplate).ratio(tap) - 1.0));
    if fits_neutral && expected.is_some_and(|expected| (mean - expected).abs() <= error_v) {
        detail += "; they fit the reported tap as well as neutral";
        return worse.item(what, Says::Silent, detail);
    }
    worse.item(what, neutral_if(fits_neutral), detail)
}

pub(super) fn tap_audit(records: &Records<'_>) -> Item {
    let latest = Latest::of(records, Quantity::Tap);
    let verdict = records.audit.verdict(records.limits);
    let says = match (verdict, latest.usable) {
        (Verdict::Agrees { .. }, Some(tap)) => neutral_if(tap == 0.0),
        (Verdict::Slipped { by, .. }, Some(tap)) => neutral_if(tap + f64::from(by) == 0.0),
        _ => Says::Silent,
    };
    latest.item(What::TapAudit, says, verdict.words())
}

/// The last reading at which the reported tap was at neutral, and the counter from there on. Context: it says nothing either way.
pub(super) fn since_neutral(records: &Records<'_>) -> Item {
    let what = What::SinceNeutral;
    let latest = Latest::of(records, Quantity::Operations);
    let at_neutral = records.readings.iter().rposition(|r| r.good(Quantity::Tap) == Some(0.0));
    let Some(index) = at_neutral else {
        let passed = records.audit.passages();
        let day = |at: Option<Timestamp>| {
            at.map_or_else(|| "never seen".to_owned(), |at| at.format("%Y-%m-%d %H:%M UTC").to_string())
        };
        let detail = format!(
            "not at neutral in these readings; last passage as reported: {}, as implied: {}",
            day(passed.reported()),
            day(passed.implied())
        );
        return latest.item(what, Says::Silent, detail);
    };
    let since = &records.readings[index..];
    let counted = operations(records, since);
    let tap = since.iter().rev().find_map(|r| r.good(Quantity::Tap)).unwrap_or(0.0);
    let when = since[0].measured_at.format("%Y-%m-%d %H:%M UTC");
    let detail = match counted {
        None => format!("last at neutral, as reported, at {when}; no operation counter since"),
        Some(n) if n < tap.abs() => format!(
            "last at neutral, as reported, at {when}; {n} operations counted since are fewer than the {} steps reported: \
             the report or the counter is wrong",
            tap.abs()
        ),
        Some(n) => format!("last at neutral, as reported, at {when}; {n} operations counted since"),
    };
    latest.item(what, Says::Silent, detail)
}

/// Operations counted over readings; nothing without a counter.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counters are whole and not negative"
)]
fn operations(records: &Records<'_>, readings: &[Reading]) -> Option<f64> {
    let mut counters =
        readings.iter().filter_map(|r| Some((r.measured_at, r.good(Quantity::Operations)?.max(0.0) as u64)));
    let mut before = counters.next()?;
    let mut total = 0.0;
    for now in counters {
        let elapsed_s = f64::from(i32::try_from((now.0 - before.0).num_seconds()).unwrap_or(i32::MAX));
        if let step @ (Step::Counted(_) | Step::RolledOver(_) | Step::Restarted(_)) =
            counter::step(before.1, now.1, records.nameplate.counter_modulus, elapsed_s)
        {
            total += f64::from(u32::try_from(step.operations()).unwrap_or(u32::MAX));
        }
        before = now;
    }
    Some(total)
}

/// Whether the tap may move. Context: it says nothing either way.
pub(super) fn control_mode(records: &Records<'_>) -> Item {
    let latest = Latest::of(records, Quantity::Automatic);
    let mut words = vec![match latest.usable {
        None => "not known whether in automatic: the tap may move at any time",
        Some(0.0) => "not in automatic, as reported; the tap may still be moved by hand or from afar",
        Some(_) => "in automatic: the tap may move at any time",
    }];
    for (quantity, yes) in [
        (Quantity::Blocked, "tapping blocked, as reported"),
        (Quantity::ReverseFlow, "power reversed, as reported"),
    ] {
        if Latest::of(records, quantity).usable.is_some_and(|v| v != 0.0) {
            words.push(yes);
        }
    }
    latest.item(What::ControlMode, Says::Silent, words.join("; "))
}
