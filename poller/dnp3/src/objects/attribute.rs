//! Device attributes, group 0 (clause 11.9.11 and annex A.1): who made it, which model, which firmware.

/// Attributes that are asked for or kept: variations of group 0 of the standard's own set, number 0.
pub mod variation {
    /// All attributes, in a request.
    pub const ALL: u8 = 254;
    /// Version of the device's software.
    pub const SOFTWARE_VERSION: u8 = 242;
    /// Version of the device's hardware.
    pub const HARDWARE_VERSION: u8 = 243;
    /// Identification that its user gave it.
    pub const USER_ID: u8 = 246;
    /// Name that its user gave it.
    pub const USER_NAME: u8 = 247;
    /// Serial number.
    pub const SERIAL_NUMBER: u8 = 248;
    /// Product's name and model.
    pub const MODEL: u8 = 250;
    /// Who made it.
    pub const MANUFACTURER: u8 = 252;
}

/// The content of an attribute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Content<'a> {
    /// Visible string.
    Text(&'a [u8]),
    /// Unsigned integer.
    Unsigned(u64),
    /// Signed integer.
    Signed(i64),
    /// Floating point.
    Float(f64),
    /// Anything else, with its type code.
    Other(u8, &'a [u8]),
}

/// One attribute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attribute<'a> {
    /// Which set: 0 is the standard's.
    pub set: u16,
    /// Which attribute.
    pub variation: u8,
    /// What it says.
    pub content: Content<'a>,
}

const TEXT: u8 = 1;
const UNSIGNED: u8 = 2;
const SIGNED: u8 = 3;
const FLOAT: u8 = 4;

/// How long the attribute at the start of `data` is; none if it ends too early.
pub(crate) fn length(data: &[u8]) -> Option<usize> {
    let length = 2 + usize::from(*data.get(1)?);
    (data.len() >= length).then_some(length)
}

/// Reads the attribute at the start of `data`.
#[must_use]
pub fn read(set: u16, variation: u8, data: &[u8]) -> Option<Attribute<'_>> {
    let whole = data.get(..length(data)?)?;
    let (code, bytes) = (whole[0], &whole[2..]);
    let little = |bytes: &[u8]| {
        let mut wide = [0; 8];
        wide.get_mut(..bytes.len())?.copy_from_slice(bytes);
        Some(u64::from_le_bytes(wide))
    };
    let other = Content::Other(code, bytes);
    let content = match code {
        TEXT => Content::Text(bytes),
        UNSIGNED => little(bytes).map_or(other, Content::Unsigned),
        SIGNED => match bytes.len() {
            1..=8 => {
                let shift = 64 - 8 * bytes.len();
                little(bytes).map_or(other, |n| Content::Signed((n << shift).cast_signed() >> shift))
            }
            _ => other,
        },
        FLOAT => match *bytes {
            [a, b, c, d] => Content::Float(f32::from_le_bytes([a, b, c, d]).into()),
            [a, b, c, d, e, f, g, h] => Content::Float(f64::from_le_bytes([a, b, c, d, e, f, g, h])),
            _ => other,
        },
        _ => other,
    };
    Some(Attribute { set, variation, content })
}

/// Adds an attribute that is a text, cut to 255 bytes.
pub fn encode_text(text: &str, out: &mut Vec<u8>) {
    let bytes = &text.as_bytes()[..text.len().min(255)];
    out.push(TEXT);
    out.push(u8::try_from(bytes.len()).unwrap_or(u8::MAX));
    out.extend_from_slice(bytes);
}
