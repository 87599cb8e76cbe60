//! From raw answers to a [`Reading`], each quantity with its quality.

use regulator::{Nameplate, Quality, Quantity, Reading, Timestamp};

use super::plan::{Place, ReadPlan};
use super::point::{Point, Raw};
use super::{MAX_POSITION, Profile};
use crate::modbus::Data;

/// Furthest that a tap position may lie from a whole number and still be one (a scaled float is rarely exact).
const TAP_SLACK: f64 = 0.01;

/// The raw value of a planned point; none if its block could not be read.
#[must_use]
pub fn raw(point: &Point, place: Place, answers: &[Option<Data>]) -> Option<Raw> {
    match answers.get(place.request)?.as_ref()? {
        Data::Registers(words) => point.raw_from_registers(words.get(place.offset..)?),
        Data::Bits(bits) => Some(Raw(u32::from(*bits.get(place.offset)?))),
    }
}

/// The registers of a planned point as read, or its bit as 0 or 1; none if its block could not be read.
#[must_use]
pub fn words(point: &Point, place: Place, answers: &[Option<Data>]) -> Option<Vec<u16>> {
    match answers.get(place.request)?.as_ref()? {
        Data::Registers(words) => {
            let end = place.offset + usize::from(point.kind.width());
            Some(words.get(place.offset..end)?.to_vec())
        }
        Data::Bits(bits) => Some(vec![u16::from(*bits.get(place.offset)?)]),
    }
}

/// The value of a point and how far to trust it, by the profile alone.
#[must_use]
pub fn value(point: &Point, raw: Option<Raw>) -> (Option<f64>, Quality) {
    let Some(raw) = raw else { return (None, Quality::Unreadable) };
    if point.not_available.iter().any(|m| m.matches(point.kind, raw)) {
        return (None, Quality::NotAvailable);
    }
    checked(point.quantity, point.valid, point.rollover, point.value(raw))
}

/// A value, in the quantity's unit, as the database will hold it, and whether it lies where it can be right.
pub(super) fn checked(
    quantity: Quantity,
    valid: Option<(f64, f64)>,
    rollover: Option<u64>,
    value: f64,
) -> (Option<f64>, Quality) {
    let value = Some(value).filter(|v| v.is_finite()).and_then(|v| as_stored(quantity, v));
    let Some(value) = value else { return (None, Quality::Invalid) };
    let inside = valid.is_none_or(|(low, high)| (low..=high).contains(&value))
        && rollover.is_none_or(|modulus| {
            #[allow(clippy::cast_precision_loss, reason = "at most 2^32")]
            let modulus = modulus as f64;
            value < modulus
        });
    (Some(value), if inside { Quality::Good } else { Quality::OutOfRange })
}

/// The value as the database will hold it, so that memory and database agree: taps and counters whole, the rest in single
/// precision. None if it cannot be held.
fn as_stored(quantity: Quantity, value: f64) -> Option<f64> {
    match quantity {
        Quantity::Tap => {
            let whole = value.round();
            ((value - whole).abs() <= TAP_SLACK && whole.abs() <= f64::from(i32::MAX)).then_some(whole)
        }
        Quantity::Operations => (value >= 0.0 && value.fract() == 0.0).then_some(value),
        _ => {
            #[allow(clippy::cast_possible_truncation, reason = "the precision of the column")]
            let single = value as f32;
            single.is_finite().then_some(f64::from(single))
        }
    }
}

/// The quality of a value, lowered if it is a tap beyond the nameplate's limits.
pub(super) fn within_limits(
    quantity: Quantity,
    value: Option<f64>,
    quality: Quality,
    nameplate: &Nameplate,
) -> Quality {
    let limits = f64::from(nameplate.tap_min)..=f64::from(nameplate.tap_max);
    let beyond = quantity == Quantity::Tap && value.is_some_and(|tap| !limits.contains(&tap));
    if beyond && quality == Quality::Good { Quality::OutOfRange } else { quality }
}

/// The reading of the regulator at one position of a control. `answers` holds what came back for each request of the plan;
/// none where the device refused or stayed silent.
///
/// A tap beyond the nameplate's limits is kept as [`Quality::OutOfRange`].
#[must_use]
pub fn reading(
    profile: &Profile,
    plan: &ReadPlan,
    answers: &[Option<Data>],
    position: u8,
    nameplate: &Nameplate,
    measured_at: Timestamp,
) -> Reading {
    debug_assert!((1..=MAX_POSITION).contains(&position));
    let mut reading = Reading::new(measured_at);
    for place in &plan.places {
        let point = &profile.points[place.point];
        if point.position != position {
            continue;
        }
        let (value, quality) = value(point, raw(point, *place, answers));
        reading.set(point.quantity, value, within_limits(point.quantity, value, quality, nameplate));
    }
    reading
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOURCE: &str = r#"
title = "for tests"
gap = 100
point = [
    { quantity = "load_voltage", table = "holding", address = 0, type = "f32", unit = "V", valid = [80, 160], not_available = [nan, 0x7F7FFFFF] },
    { quantity = "current", table = "holding", address = 2, type = "u16", scale = 0.1, unit = "A", not_available = 0xFFFF },
    { quantity = "tap", table = "holding", address = 3, type = "i16", not_available = -32768 },
    { quantity = "operations", table = "holding", address = 4, type = "u16", rollover = 10000 },
    { quantity = "automatic", table = "coil", address = 9, type = "bit", yes_when = 0 },
    { quantity = "power_factor", table = "input", address = 0, type = "f32", valid = [-1, 1] },
    { quantity = "tap", position = 2, table = "holding", address = 5, type = "f32" },
]
"#;

    fn read(registers: [u16; 7], coil: bool, input: Option<Data>, position: u8) -> Reading {
        let profile = Profile::parse("test.toml", SOURCE).unwrap();
        let plan = ReadPlan::new(&profile, &[1, 2]);
        // tables are read in the order coil, discrete, holding, input
        let answers = [Some(Data::Bits(vec![coil; 8])), Some(Data::Registers(registers.to_vec())), input];
        assert_eq!(plan.requests.len(), 3);
        reading(&profile, &plan, &answers, position, &Nameplate::common(), Timestamp::UNIX_EPOCH)
    }

    fn float(value: f32) -> [u16; 2] {
        let bits = value.to_bits();
        [u16::try_from(bits >> 16).unwrap(), u16::try_from(bits & 0xFFFF).unwrap()]
    }

    fn with_voltage(value: f32) -> Reading {
        let [a, b] = float(value);
        read([a, b, 0, 0, 0, 0, 0], false, None, 1)
    }

    #[test]
    fn good_values_are_scaled_and_rounded_as_the_database_holds_them() {
        let [a, b] = float(121.3);
        let [c, d] = float(0.95);
        let r = read([a, b, 1234, 0xFFFB, 9999, 0, 0], false, Some(Data::Registers(vec![c, d])), 1);
        assert_eq!(r.good(Quantity::LoadVoltage), Some(f64::from(121.3_f32)));
        assert_eq!(r.good(Quantity::Current), Some(f64::from(123.4_f32)));
        assert_eq!(r.good(Quantity::Tap), Some(-5.0));
        assert_eq!(r.good(Quantity::Operations), Some(9999.0));
        assert_eq!(r.flag(Quantity::Automatic), Some(true));
        assert_eq!(r.good(Quantity::PowerFactor), Some(f64::from(0.95_f32)));
        assert_eq!(r.quality(Quantity::SourceVoltage), Quality::NotReported);
    }

    #[test]
    fn a_value_out_of_range_is_kept_but_not_good() {
        let r = with_voltage(200.0);
        assert_eq!(r.quality(Quantity::LoadVoltage), Quality::OutOfRange);
        assert_eq!(r.value(Quantity::LoadVoltage), Some(200.0));
    }

    #[test]
    fn a_tap_beyond_the_nameplate_is_kept_but_not_good() {
        let r = read([0, 0, 0, 17, 0, 0, 0], false, None, 1);
        assert_eq!(r.value(Quantity::Tap), Some(17.0));
        assert_eq!(r.quality(Quantity::Tap), Quality::OutOfRange);
        assert_eq!(r.good(Quantity::Tap), None);
    }

    #[test]
    fn not_available_is_missing_and_not_zero() {
        let r = read([0x7F7F, 0xFFFF, 0xFFFF, 0x8000, 0, 0, 0], false, None, 1);
        for quantity in [Quantity::LoadVoltage, Quantity::Current, Quantity::Tap] {
            assert_eq!(r.quality(quantity), Quality::NotAvailable, "{}", quantity.name());
            assert_eq!(r.value(quantity), None);
        }
        assert_eq!(with_voltage(f32::NAN).quality(Quantity::LoadVoltage), Quality::NotAvailable);
    }

    #[test]
    fn infinity_and_nan_are_invalid_where_the_profile_gives_them_no_meaning() {
        assert_eq!(with_voltage(f32::INFINITY).quality(Quantity::LoadVoltage), Quality::Invalid);
        let [a, b] = float(f32::NAN);
        let r = read([0; 7], false, Some(Data::Registers(vec![a, b])), 1);
        assert_eq!(r.quality(Quantity::PowerFactor), Quality::Invalid);
        assert_eq!(r.value(Quantity::PowerFactor), None);
    }

    #[test]
    fn a_refused_block_is_unreadable_and_the_others_stay_good() {
        let r = read([0x42F0, 0, 0, 0, 0, 0, 0], true, None, 1);
        assert_eq!(r.quality(Quantity::PowerFactor), Quality::Unreadable);
        assert_eq!(r.good(Quantity::LoadVoltage), Some(120.0));
        assert_eq!(r.flag(Quantity::Automatic), Some(false));
    }

    #[test]
    fn a_counter_at_or_past_its_rollover_is_out_of_range() {
        let r = read([0, 0, 0, 0, 10_000, 0, 0], false, None, 1);
        assert_eq!(r.quality(Quantity::Operations), Quality::OutOfRange);
    }

    #[test]
    fn a_tap_between_steps_is_invalid_and_position_2_has_its_own() {
        let [a, b] = float(3.4);
        assert_eq!(read([0, 0, 0, 0, 0, a, b], false, None, 2).quality(Quantity::Tap), Quality::Invalid);
        let [a, b] = float(3.999);
        assert_eq!(read([0, 0, 0, 9, 0, a, b], false, None, 2).good(Quantity::Tap), Some(4.0));
    }
}
