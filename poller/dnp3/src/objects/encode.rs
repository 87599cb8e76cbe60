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
    let number = number(point.value);
    let mut flags = point.flags.unwrap_or(Flags::ONLINE).0;
    match point.value {
        Value::Binary(on) => flags = flags & !Flags::STATE | if on { Flags::STATE } else { 0 },
        Value::DoubleBit(state) => flags = flags & 0x3F | state.bits() << 6,
        _ if exceeds(number, fields.number) => flags |= Flags::OVER_RANGE,
        _ => {}
    }
    if fields.flags {
        out.push(flags);
    }
    encode_number(number, fields.number, out);
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

fn number(value: Value<'_>) -> f64 {
    match value {
        Value::Analog(number) => number,
        Value::Counter(count) => count.into(),
        _ => 0.0,
    }
}

/// Whether a number must be cut to fit. Counters never are: they are told modulo their width.
fn exceeds(number: f64, form: Number) -> bool {
    let within = |min: f64, max: f64| (min..=max).contains(&number.round());
    match form {
        Number::InFlags | Number::U16 | Number::U32 | Number::F64 => false,
        Number::I16 => !within(i16::MIN.into(), i16::MAX.into()),
        Number::I32 => !within(i32::MIN.into(), i32::MAX.into()),
        Number::F32 => number.abs() > f64::from(f32::MAX),
    }
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "casts from floats go to the nearest that fits, and it is told that they do"
)]
fn encode_number(number: f64, form: Number, out: &mut Vec<u8>) {
    let whole = number.round();
    match form {
        Number::InFlags => {}
        Number::U16 => out.extend_from_slice(&(whole as u64 as u16).to_le_bytes()),
        Number::U32 => out.extend_from_slice(&(whole as u64 as u32).to_le_bytes()),
        Number::I16 => out.extend_from_slice(&(whole as i16).to_le_bytes()),
        Number::I32 => out.extend_from_slice(&(whole as i32).to_le_bytes()),
        Number::F32 => {
            let single = number.clamp(f64::from(f32::MIN), f64::from(f32::MAX)) as f32;
            out.extend_from_slice(&single.to_le_bytes());
        }
        Number::F64 => out.extend_from_slice(&number.to_le_bytes()),
    }
}
