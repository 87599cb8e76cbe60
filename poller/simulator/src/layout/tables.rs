//! The layouts themselves.

use regulator::Quantity as Q;

use super::Coding::{Bit, Flag, Float, HighByte, LowByte, Signed, Signed32, Unsigned, Unsigned32};
use super::Table::{Coil, Discrete, Holding, Input};
use super::{Coding, Point, Table};

const fn point(quantity: Q, table: Table, address: u16, coding: Coding) -> Point {
    Point { quantity, table, address, stride: 0, coding }
}

const fn triple(quantity: Q, table: Table, address: u16, coding: Coding) -> Point {
    let stride = if matches!(table, Input) { 40 } else { 20 };
    Point { quantity, table, address, stride, coding }
}

const fn tenths() -> Coding {
    Unsigned { scale: 0.1, offset: 0.0 }
}

const fn whole() -> Coding {
    Unsigned { scale: 1.0, offset: 0.0 }
}

/// One regulator, floats in holding registers.
pub(super) const SINGLE_FLOAT: &[Point] = &[
    point(Q::LoadVoltage, Holding, 100, Float),
    point(Q::SourceVoltage, Holding, 102, Float),
    point(Q::Current, Holding, 104, Float),
    point(Q::RealPower, Holding, 106, Float),
    point(Q::ReactivePower, Holding, 108, Float),
    point(Q::PowerFactor, Holding, 110, Float),
    point(Q::Tap, Holding, 112, Signed { scale: 1.0 }),
    point(Q::Operations, Holding, 114, Unsigned32 { scale: 1.0, low_first: false }),
    point(Q::Automatic, Holding, 116, Flag { mask: 1 }),
    point(Q::Blocked, Holding, 116, Flag { mask: 2 }),
    point(Q::AtNeutral, Holding, 116, Flag { mask: 4 }),
    point(Q::ReverseFlow, Holding, 116, Flag { mask: 8 }),
    point(Q::SetVoltage, Holding, 200, Float),
    point(Q::Bandwidth, Holding, 202, Float),
    point(Q::TimeDelay, Holding, 204, Float),
    point(Q::LdcResistance, Holding, 206, Float),
    point(Q::LdcReactance, Holding, 208, Float),
];

/// One regulator, scaled integers with the low word first, states as bits.
pub(super) const SINGLE_BITS: &[Point] = &[
    point(Q::LoadVoltage, Input, 0, Unsigned32 { scale: 0.001, low_first: true }),
    point(Q::SourceVoltage, Input, 2, Unsigned32 { scale: 0.001, low_first: true }),
    point(Q::Current, Input, 4, Unsigned32 { scale: 0.01, low_first: true }),
    point(Q::RealPower, Input, 6, Signed32 { scale: 0.01 }),
    point(Q::ReactivePower, Input, 8, Signed32 { scale: 0.01 }),
    point(Q::PowerFactor, Input, 10, Signed { scale: 0.0001 }),
    point(Q::Tap, Input, 11, LowByte),
    point(Q::Operations, Input, 14, Unsigned32 { scale: 1.0, low_first: true }),
    point(Q::Automatic, Discrete, 1, Bit { inverted: true }),
    point(Q::AtNeutral, Discrete, 4, Bit { inverted: false }),
    point(Q::TapInProgress, Discrete, 5, Bit { inverted: false }),
    point(Q::ReverseFlow, Discrete, 7, Bit { inverted: false }),
    point(Q::Blocked, Coil, 16, Bit { inverted: false }),
    point(Q::SetVoltage, Holding, 10, tenths()),
    point(Q::Bandwidth, Holding, 11, tenths()),
    point(Q::TimeDelay, Holding, 12, whole()),
    point(Q::LdcResistance, Holding, 13, Signed { scale: 0.1 }),
    point(Q::LdcReactance, Holding, 14, Signed { scale: 0.1 }),
];

/// Up to three regulators, 16-bit integers.
pub(super) const TRIPLE_INTEGER: &[Point] = &[
    triple(Q::LoadVoltage, Input, 1000, Unsigned { scale: 0.01, offset: 0.0 }),
    triple(Q::SourceVoltage, Input, 1001, Unsigned { scale: 0.01, offset: 0.0 }),
    triple(Q::Current, Input, 1002, tenths()),
    triple(Q::RealPower, Input, 1003, Signed { scale: 1.0 }),
    triple(Q::ReactivePower, Input, 1004, Signed { scale: 1.0 }),
    triple(Q::PowerFactor, Input, 1005, Signed { scale: 0.001 }),
    triple(Q::Tap, Input, 1008, Unsigned { scale: 1.0, offset: -17.0 }),
    triple(Q::Operations, Input, 1009, whole()),
    triple(Q::Automatic, Input, 1012, HighByte),
    triple(Q::Blocked, Input, 1012, Flag { mask: 1 }),
    triple(Q::AtNeutral, Input, 1012, Flag { mask: 2 }),
    triple(Q::ReverseFlow, Input, 1012, Flag { mask: 4 }),
    triple(Q::SetVoltage, Holding, 500, tenths()),
    triple(Q::Bandwidth, Holding, 501, tenths()),
    triple(Q::TimeDelay, Holding, 502, whole()),
    triple(Q::LdcResistance, Holding, 503, Signed { scale: 0.1 }),
    triple(Q::LdcReactance, Holding, 504, Signed { scale: 0.1 }),
];
