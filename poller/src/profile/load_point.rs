//! From one `[[point]]` to a [`Point`]: each key by itself. What they mean together is checked in [`super::agree`].

use regulator::Quantity;
use toml::de::DeValue;

use super::fields::{At, Fields, number, suggest, whole};
use super::load::order;
use super::point::{Kind, Order, Point, RawMatch, label};
use super::{MAX_POSITION, agree};
use crate::modbus::Table;

const KEYS: &[&str] = &[
    "quantity",
    "position",
    "table",
    "address",
    "type",
    "mask",
    "signed",
    "word_order",
    "byte_order",
    "scale",
    "offset",
    "unit",
    "valid",
    "not_available",
    "yes_when",
    "rollover",
];

/// The point, unless something that it cannot do without is missing or wrong; every fault is noted either way.
pub(super) fn load(mut fields: Fields<'_, '_, '_>, default_order: Order) -> Option<Point> {
    name_the_point(&mut fields);
    fields.refuse_unknown(KEYS);
    let position = position(&mut fields);
    let quantity = quantity(&mut fields);
    let table = table(&mut fields);
    let kind = kind(&mut fields);
    let address = address(&mut fields, kind);
    let order = order(&mut fields, default_order);
    let scale = fields.number("scale");
    let offset = fields.number("offset");
    let valid = valid(&mut fields);
    let rollover = fields.integer("rollover", 2..=1 << 32);
    let (quantity, table, kind) = (quantity?, table?, kind?);
    agree::table(&mut fields, table, kind);
    agree::order(&mut fields, kind);
    agree::unit(&mut fields, quantity);
    agree::flag(&mut fields, quantity, table, kind);
    let rollover = agree::counter(&mut fields, quantity, kind, rollover);
    let not_available = not_available(&mut fields, kind);
    let yes_when = yes_when(&mut fields, quantity, kind);
    if let Some(At { value, offset }) = scale
        && value == 0.0
    {
        fields.fault(
            offset,
            "scale = 0 makes every value the same",
            "use the number that the raw value is multiplied by",
        );
    }
    Some(Point {
        quantity,
        position: position?,
        table,
        address: address?,
        kind,
        order,
        scale: scale.map_or(1.0, |s| s.value),
        offset: offset.map_or(0.0, |o| o.value),
        valid,
        not_available,
        yes_when,
        rollover,
        line: fields.faults.line(fields.offset),
    })
}

/// Gives faults the point's name, as far as it can be made out.
fn name_the_point(fields: &mut Fields<'_, '_, '_>) {
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

fn table(fields: &mut Fields<'_, '_, '_>) -> Option<Table> {
    if fields.has("table").is_none() {
        fields.missing("table", "\"holding\" (or \"input\", \"coil\", \"discrete\")");
    }
    let names: Vec<_> = Table::ALL.iter().map(|t| t.name()).collect();
    Table::from_name(fields.choice("table", &names)?.value)
}

fn address(fields: &mut Fields<'_, '_, '_>, kind: Option<Kind>) -> Option<u16> {
    if fields.has("address").is_none() {
        fields.missing("address", "0 (counted from 0, as on the wire)");
    }
    let found = fields.integer("address", 0..=65_535)?;
    let width = kind.map_or(1, Kind::width);
    if found.value + i64::from(width) > 65_536 {
        fields.fault(
            found.offset,
            format!("a value of {width} registers at address {} runs past address 65535", found.value),
            "use an address of 65534 or less, or a 16-bit type",
        );
        return None;
    }
    u16::try_from(found.value).ok()
}

fn kind(fields: &mut Fields<'_, '_, '_>) -> Option<Kind> {
    if fields.has("type").is_none() {
        fields.missing("type", "\"u16\" (or \"bit\", \"bits\", \"i16\", \"u32\", \"i32\", \"f32\")");
    }
    let name = fields.choice("type", Kind::NAMES)?.value;
    if name != "bits" {
        for key in ["mask", "signed"] {
            if let Some(offset) = fields.has(key) {
                fields.fault(
                    offset,
                    format!("{key} has no meaning for type {name}"),
                    "remove it, or use type = \"bits\"",
                );
            }
        }
    }
    match name {
        "bit" => Some(Kind::Bit),
        "u16" => Some(Kind::U16),
        "i16" => Some(Kind::I16),
        "u32" => Some(Kind::U32),
        "i32" => Some(Kind::I32),
        "f32" => Some(Kind::F32),
        _ => bits(fields),
    }
}

fn bits(fields: &mut Fields<'_, '_, '_>) -> Option<Kind> {
    if fields.has("mask").is_none() {
        fields.missing("mask", "0x0001 (the bits of the register to use)");
    }
    let mask = fields.integer("mask", 0..=0xFFFF)?;
    if mask.value == 0 {
        fields.fault(mask.offset, "mask = 0 selects no bit", "set the bits to use, such as 0x00FF");
        return None;
    }
    let signed = fields.boolean("signed").is_some_and(|s| s.value);
    Some(Kind::Bits { mask: u16::try_from(mask.value).ok()?, signed })
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

fn not_available(fields: &mut Fields<'_, '_, '_>, kind: Kind) -> Vec<RawMatch> {
    let mut found = vec![];
    for item in fields.one_or_many("not_available") {
        match raw_match(item.get_ref(), kind) {
            Some(raw) => found.push(raw),
            None => fields.fault(
                item.span().start,
                format!("not_available is not a raw value of {} bits", kind.bits()),
                "write the raw value as read, before scaling, such as 0xFFFF; floats may also use nan",
            ),
        }
    }
    found
}

fn raw_match(value: &DeValue<'_>, kind: Kind) -> Option<RawMatch> {
    if let Some(n) = whole(value) {
        return raw_bits(n, kind.bits()).map(RawMatch::Exactly);
    }
    let float = number(value).filter(|_| kind == Kind::F32)?;
    if float.is_nan() {
        return Some(RawMatch::NotANumber);
    }
    #[allow(clippy::cast_possible_truncation, reason = "the device's value is single precision")]
    Some(RawMatch::Exactly((float as f32).to_bits()))
}

/// A whole number as a bit pattern of so many bits; negative ones as two's complement.
fn raw_bits(n: i64, bits: u32) -> Option<u32> {
    let full = 1i64 << bits;
    if n >= full || n < -(full / 2) {
        return None;
    }
    u32::try_from(n & (full - 1)).ok()
}

fn yes_when(fields: &mut Fields<'_, '_, '_>, quantity: Quantity, kind: Kind) -> Vec<u32> {
    if let Some(offset) = fields.has("yes_when").filter(|_| !quantity.is_flag()) {
        fields.fault(offset, format!("yes_when has no meaning for {}", quantity.name()), "remove it");
        return vec![];
    }
    let mut found = vec![];
    for item in fields.one_or_many("yes_when") {
        match whole(item.get_ref()).and_then(|n| raw_bits(n, kind.bits())) {
            Some(raw) => found.push(raw),
            None => fields.fault(
                item.span().start,
                format!("yes_when is not a raw value of {} bits", kind.bits()),
                "write the raw values that mean yes, such as 1 or [1, 3]",
            ),
        }
    }
    found
}
