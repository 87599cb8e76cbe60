//! Values into bytes, for the outstation.

use super::{EventTime, Fields, Flags, Layout, Number, Point, Timestamp, Value};

/// Adds the value of a point, in the form of `layout`, without its index. A number that does not fit the form goes out as the
/// nearest that does, with the flag for over range where there is room for flags (clause 11.9.1.2). `common` is the time that relative times
/// count from. Packed layouts add nothing: bits are gathered by the caller.
pub fn encode(point: &Point<'_>, layout: Layout, common: Timestamp, out: &mut Vec<u8>) {
    match layout {
        Layout::Fields(fields) => encode_fields(point, fields, common, out),
        Layout::Octets(length) => {
            let Value::Octets(octets) = point.value else { return };
            let taken = octets.len().min(length.into());
            out.extend_from_slice(&octets[..taken]);
            out.resize(out.len() + usize::from(length) - taken, 0);
        }
        Layout::Bits | Layout::BitPairs | Layout::Attribute | Layout::Nothing => {}
    }
}

/// Adds a time.
pub fn encode_time(time: Timestamp, out: &mut Vec<u8>) {
    out.extend_from_slice(&time.bytes());
}

fn encode_fields(point: &Point<'_>, fields: Fields, common: Timestamp, out: &mut Vec<u8>) {
    let (mut number, over) = number(point.value, fields.number);
    let mut flags = point.flags.unwrap_or(Flags::ONLINE).0;
    match point.value {
        Value::Binary(on) => flags = flags & !Flags::STATE | if on { Flags::STATE } else { 0 },
        Value::DoubleBit(state) => flags = flags & 0x3F | state.bits() << 6,
        _ if over => flags |= Flags::OVER_RANGE,
        _ => {}
    }
    if fields.flags {
        out.push(flags);
    }
    out.append(&mut number);
    let at = point.time.map_or(common, |time| time.at);
    match fields.time {
        EventTime::None => {}
        EventTime::Absolute => encode_time(at, out),
        EventTime::Relative => {
            let later = at.millis().saturating_sub(common.millis());
            out.extend_from_slice(&u16::try_from(later).unwrap_or(u16::MAX).to_le_bytes());
        }
    }
}

/// The bytes of a number, and whether it had to be cut to fit.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "casts from floats go to the nearest that fits, and it is told that they do"
)]
fn number(value: Value<'_>, form: Number) -> (Vec<u8>, bool) {
    let number = match value {
        Value::Analog(number) => number,
        Value::Counter(count) => count.into(),
        _ => 0.0,
    };
    let whole = number.round();
    match form {
        Number::InFlags => (vec![], false),
        // counters are told modulo their width
        Number::U16 => ((whole as u64 as u16).to_le_bytes().to_vec(), false),
        Number::U32 => ((whole as u64 as u32).to_le_bytes().to_vec(), false),
        Number::I16 => ((whole as i16).to_le_bytes().to_vec(), whole != f64::from(whole as i16)),
        Number::I32 => ((whole as i32).to_le_bytes().to_vec(), whole != f64::from(whole as i32)),
        Number::F32 => {
            let single = number.clamp(f64::from(f32::MIN), f64::from(f32::MAX)) as f32;
            (single.to_le_bytes().to_vec(), number.abs() > f64::from(f32::MAX))
        }
        Number::F64 => (number.to_le_bytes().to_vec(), false),
    }
}
