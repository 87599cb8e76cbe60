//! What every point has, whatever protocol reads it: which regulator and quantity it is of, and what its numbers mean.

use regulator::Quantity;

use super::MAX_POSITION;
use super::fields::{At, Fields, number, suggest, whole};
use super::point::label;

/// The keys that are read here, and those whose meaning depends on how the point is read.
pub(super) const KEYS: &[&str] =
    &["quantity", "position", "scale", "offset", "unit", "valid", "not_available", "yes_when", "rollover"];

/// Each of them by itself; nothing where it is missing or wrong, which has been noted.
pub(super) struct Common {
    pub(super) quantity: Option<Quantity>,
    pub(super) position: Option<u8>,
    pub(super) scale: f64,
    pub(super) offset: f64,
    pub(super) valid: Option<(f64, f64)>,
    pub(super) rollover: Option<At<i64>>,
}

impl Common {
    /// Reads them. Faults carry the point's name from here on.
    pub(super) fn load(fields: &mut Fields<'_, '_, '_>, own_keys: &[&str]) -> Self {
        name_the_point(fields);
        fields.refuse_unknown(&[KEYS, own_keys].concat());
        Self {
            position: position(fields),
            quantity: quantity(fields),
            scale: scale(fields),
            offset: fields.number("offset").map_or(0.0, |o| o.value),
            valid: valid(fields),
            rollover: fields.integer("rollover", 2..=1 << 32),
        }
    }
}

/// Gives faults the point's name, as far as it can be made out.
pub(super) fn name_the_point(fields: &mut Fields<'_, '_, '_>) {
    let quantity = fields.raw("quantity").and_then(|q| q.get_ref().as_str());
    let position = fields.raw("position").map_or(Some(1), |p| whole(p.get_ref()));
    fields.point = quantity.map(|quantity| match position.and_then(|p| u8::try_from(p).ok()) {
        Some(position) => label(quantity, position),
        None => quantity.to_owned(),
    });
}

fn quantity(fields: &mut Fields<'_, '_, '_>) -> Option<Quantity> {
    if fields.has("quantity").is_none() {
        fields.missing("quantity", "\"load_voltage\"");
    }
    let found = fields.string("quantity")?;
    let quantity = Quantity::from_name(found.value);
    if quantity.is_none() {
        let names: Vec<_> = Quantity::ALL.iter().map(|q| q.name()).collect();
        fields.fault(
            found.offset,
            format!("unknown quantity '{}'", found.value),
            suggest(found.value, &names),
        );
    }
    quantity
}

fn position(fields: &mut Fields<'_, '_, '_>) -> Option<u8> {
    if fields.has("position").is_none() {
        return Some(1);
    }
    u8::try_from(fields.integer("position", 1..=i64::from(MAX_POSITION))?.value).ok()
}

fn scale(fields: &mut Fields<'_, '_, '_>) -> f64 {
    let Some(At { value, offset }) = fields.number("scale") else { return 1.0 };
    if value == 0.0 {
        fields.fault(
            offset,
            "scale = 0 makes every value the same",
            "use the number that the raw value is multiplied by",
        );
    }
    value
}

fn valid(fields: &mut Fields<'_, '_, '_>) -> Option<(f64, f64)> {
    let value = fields.raw("valid")?;
    let at = value.span().start;
    let numbers: Vec<f64> = match value.get_ref().as_array() {
        Some(items) => items.iter().filter_map(|v| number(v.get_ref())).filter(|n| n.is_finite()).collect(),
        None => vec![],
    };
    let [low, high] = numbers[..] else {
        fields.fault(
            at,
            "valid is not a pair of numbers",
            "write valid = [lowest, highest], in the quantity's unit",
        );
        return None;
    };
    if low >= high {
        fields.fault(
            at,
            format!("valid range {low} to {high} is reversed or empty"),
            "write the lower number first",
        );
        return None;
    }
    Some((low, high))
}
