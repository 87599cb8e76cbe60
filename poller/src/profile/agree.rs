//! Whether the keys of one point agree with one another and with its quantity.

use dnp3::objects;
use regulator::Quantity;

use super::fields::{At, Fields};
use super::object;
use super::point::Kind;
use crate::modbus::Table;

/// Units that are a plain multiple of one that is used here, and the multiple.
const MULTIPLES: &[(&str, &str, &str)] = &[
    ("mV", "V", "0.001"),
    ("kV", "V", "1000"),
    ("mA", "A", "0.001"),
    ("kA", "A", "1000"),
    ("W", "kW", "0.001"),
    ("MW", "kW", "1000"),
    ("var", "kvar", "0.001"),
    ("Mvar", "kvar", "1000"),
    ("ms", "s", "0.001"),
    ("min", "s", "60"),
];

/// Bits come from tables of bits, numbers from registers.
pub(super) fn table(fields: &mut Fields<'_, '_, '_>, table: Table, kind: Kind) {
    let at = fields.has("type").unwrap_or(fields.offset);
    let name = table.name();
    if table.holds_bits() && kind != Kind::Bit {
        fields.fault(
            at,
            format!("the {name} table holds single bits"),
            "use type = \"bit\", or the holding or input table",
        );
    }
    if !table.holds_bits() && kind == Kind::Bit {
        fields.fault(
            at,
            format!("type bit cannot be read from the {name} table, which holds registers"),
            "use type = \"bits\" with a mask, or the coil or discrete table",
        );
    }
}

/// Orders need something to put in order.
pub(super) fn order(fields: &mut Fields<'_, '_, '_>, kind: Kind) {
    if let Some(offset) = fields.has("word_order").filter(|_| kind.width() < 2) {
        fields.fault(
            offset,
            "word_order has no meaning for a value of one register or bit",
            "remove it, or use a 32-bit type",
        );
    }
    if let Some(offset) = fields.has("byte_order").filter(|_| kind == Kind::Bit) {
        fields.fault(offset, "byte_order has no meaning for a bit", "remove it");
    }
}

/// The unit is the quantity's own.
pub(super) fn unit(fields: &mut Fields<'_, '_, '_>, quantity: Quantity) {
    let wanted = quantity.unit();
    let name = quantity.name();
    if fields.has("unit").is_none() {
        if !wanted.is_empty() {
            fields.missing("unit", &format!("\"{wanted}\", and a scale that gives {wanted}"));
        }
        return;
    }
    let Some(found) = fields.string("unit").filter(|u| u.value != wanted) else { return };
    let what = format!("unit '{}' does not fit {name}", found.value);
    let multiple = MULTIPLES.iter().find(|(from, to, _)| *from == found.value && *to == wanted);
    let remedy = match multiple {
        _ if wanted.is_empty() => "remove it: this quantity has no unit".to_owned(),
        Some((_, _, factor)) => format!("multiply scale by {factor} and write unit = \"{wanted}\""),
        None => format!("write unit = \"{wanted}\" and a scale that gives {wanted}"),
    };
    fields.fault(found.offset, what, remedy);
}

/// A yes/no has no scale, unit or range; a number cannot come from one bit, or from scattered ones.
pub(super) fn flag(fields: &mut Fields<'_, '_, '_>, quantity: Quantity, table: Table, kind: Kind) {
    let name = quantity.name();
    let at = fields.has("type").unwrap_or(fields.offset);
    if quantity.is_flag() {
        no_number(fields, quantity);
        if kind == Kind::F32 {
            fields.fault(
                at,
                format!("{name} is a yes or no and cannot be a float"),
                "use a bit, bits or whole-number type",
            );
        }
        return;
    }
    if kind == Kind::Bit && table.holds_bits() {
        fields.fault(at, format!("{name} is a number and cannot be one bit"), "use a register type");
    }
    if let Kind::Bits { mask, .. } = kind
        && mask.count_ones() != kind.bits()
    {
        let at = fields.has("mask").unwrap_or(fields.offset);
        fields.fault(at, format!("mask {mask:#06x} has holes"), "use neighbouring bits for a number");
    }
}

/// The same for DNP3: numbers come from counters and analogs.
pub(super) fn object(fields: &mut Fields<'_, '_, '_>, quantity: Quantity, kind: objects::Kind) {
    if quantity.is_flag() {
        no_number(fields, quantity);
    } else if is_state(kind) {
        let at = fields.has("object").unwrap_or(fields.offset);
        let what = format!("{} is a number and cannot be a {}", quantity.name(), object::name(kind));
        fields.fault(at, what, "use object = \"analog\" or another that is a number");
    }
}

const fn is_state(kind: objects::Kind) -> bool {
    matches!(kind, objects::Kind::Binary | objects::Kind::DoubleBit | objects::Kind::BinaryOutput)
}

/// Keys that say what a number means have no place at a yes or no.
fn no_number(fields: &mut Fields<'_, '_, '_>, quantity: Quantity) {
    for key in ["scale", "offset", "valid"] {
        if let Some(offset) = fields.has(key) {
            fields.fault(
                offset,
                format!("{key} has no meaning for {}, which is a yes or no", quantity.name()),
                "remove it; yes_when says which raw values mean yes",
            );
        }
    }
}

/// Only a yes or no has values that mean yes. Whether that was a fault.
pub(super) fn yes_when(fields: &mut Fields<'_, '_, '_>, quantity: Quantity) -> bool {
    let misplaced = fields.has("yes_when").filter(|_| !quantity.is_flag());
    if let Some(offset) = misplaced {
        fields.fault(offset, format!("yes_when has no meaning for {}", quantity.name()), "remove it");
    }
    misplaced.is_some()
}

/// The counter's modulus: as given, or by type.
pub(super) fn counter(
    fields: &mut Fields<'_, '_, '_>,
    quantity: Quantity,
    kind: Kind,
    given: Option<At<i64>>,
) -> Option<u64> {
    if !may_roll_over(fields, quantity) {
        return None;
    }
    let at = fields.has("type").unwrap_or(fields.offset);
    let highest = match kind {
        Kind::F32 => 1u64 << 24,
        _ => 1u64 << kind.bits(),
    };
    match kind {
        Kind::I16 | Kind::I32 | Kind::Bits { signed: true, .. } => {
            fields.fault(at, "an operation counter is never negative", "use u16, u32 or bits without signed");
        }
        Kind::F32 if given.is_none() => fields.fault(
            at,
            "where a float counter rolls over cannot be told from its type",
            "add rollover = the value at which it starts again at zero",
        ),
        _ => {}
    }
    let Some(given) = given else { return Some(highest) };
    let modulus = u64::try_from(given.value).ok()?;
    if modulus > highest {
        fields.fault(
            given.offset,
            format!("rollover = {modulus} is more than the type can hold"),
            format!("use at most {highest}"),
        );
    }
    Some(modulus)
}

/// The same for DNP3, where a counter has 32 bits unless told otherwise.
pub(super) fn object_counter(
    fields: &mut Fields<'_, '_, '_>,
    quantity: Quantity,
    kind: objects::Kind,
    given: Option<At<i64>>,
) -> Option<u64> {
    if !may_roll_over(fields, quantity) {
        return None;
    }
    if given.is_none() && matches!(kind, objects::Kind::Counter | objects::Kind::FrozenCounter) {
        return Some(1 << 32);
    }
    // that a state is no counter has been told
    if fields.has("rollover").is_none() && !is_state(kind) {
        let at = fields.has("object").unwrap_or(fields.offset);
        fields.fault(
            at,
            format!("where a counter in an {} rolls over cannot be told", object::name(kind)),
            "add rollover = the value at which it starts again at zero",
        );
    }
    given.and_then(|given| u64::try_from(given.value).ok())
}

/// Whether the quantity is a counter; if so, nothing may come between it and where it rolls over.
fn may_roll_over(fields: &mut Fields<'_, '_, '_>, quantity: Quantity) -> bool {
    if quantity != Quantity::Operations {
        if let Some(offset) = fields.has("rollover") {
            fields.fault(offset, "rollover belongs to operations only", "remove it");
        }
        return false;
    }
    for key in ["scale", "offset"] {
        if let Some(offset) = fields.has(key) {
            fields.fault(
                offset,
                format!("{key} would hide how the operation counter rolls over"),
                "remove it: the counter is taken as it stands",
            );
        }
    }
    true
}
