//! From one `[[point]]` of a profile for Modbus to a [`Point`]: each key by itself. What they mean together is checked in [`super::agree`].

use regulator::Quantity;
use toml::de::DeValue;

use super::agree;
use super::common::Common;
use super::fields::{Fields, number, whole};
use super::load::order;
use super::point::{Kind, Order, Point, RawMatch};
use crate::modbus::Table;

/// The keys that only such a point has.
pub(super) const KEYS: &[&str] = &["table", "address", "type", "mask", "signed", "word_order", "byte_order"];

/// The point, unless something that it cannot do without is missing or wrong; every fault is noted either way.
pub(super) fn load(mut fields: Fields<'_, '_, '_>, default_order: Order) -> Option<Point> {
    let common = Common::load(&mut fields, KEYS);
    let table = table(&mut fields);
    let kind = kind(&mut fields);
    let address = address(&mut fields, kind);
    let order = order(&mut fields, default_order);
    let (quantity, table, kind) = (common.quantity?, table?, kind?);
    agree::table(&mut fields, table, kind);
    agree::order(&mut fields, kind);
    agree::unit(&mut fields, quantity);
    agree::flag(&mut fields, quantity, table, kind);
    let rollover = agree::counter(&mut fields, quantity, kind, common.rollover);
    let not_available = not_available(&mut fields, kind);
    let yes_when = yes_when(&mut fields, quantity, kind);
    Some(Point {
        quantity,
        position: common.position?,
        table,
        address: address?,
        kind,
        order,
        scale: common.scale,
        offset: common.offset,
        valid: common.valid,
        not_available,
        yes_when,
        rollover,
        line: fields.faults.line(fields.offset),
    })
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
    if agree::yes_when(fields, quantity) {
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
