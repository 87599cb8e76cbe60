//! How one value becomes register words or a bit, and what the round trip leaves of it.

use super::{Image, Table};

/// The form of one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Coding {
    /// 32-bit float, high word first.
    Float,
    /// One word: (value - offset) / scale, unsigned.
    Unsigned { scale: f64, offset: f64 },
    /// One word, signed.
    Signed { scale: f64 },
    /// Two words, low word first where so stated, unsigned.
    Unsigned32 { scale: f64, low_first: bool },
    /// Two words, low word first, signed.
    Signed32 { scale: f64 },
    /// The low byte of a word, signed.
    LowByte,
    /// A bit of a word.
    Flag { mask: u16 },
    /// The high byte of a word: 1 for yes, 2 for no.
    HighByte,
    /// A bit by itself, inverted or not.
    Bit { inverted: bool },
}

impl Coding {
    /// Writes a value.
    pub(crate) fn write(self, image: &mut Image, table: Table, address: u16, value: f64) {
        match self {
            Self::Float => {
                let bits = single(value).to_bits();
                image.set_word(table, address, high(bits));
                image.set_word(table, address + 1, low(bits));
            }
            Self::Unsigned { scale, offset } => {
                image.set_word(table, address, low(steps(value - offset, scale, 0.0, 65_535.0)));
            }
            Self::Signed { scale } => {
                image.set_word(table, address, low(steps(value, scale, -32_768.0, 32_767.0)));
            }
            Self::Unsigned32 { scale, low_first } => {
                let bits = steps(value, scale, 0.0, f64::from(u32::MAX));
                let (first, second) =
                    if low_first { (low(bits), high(bits)) } else { (high(bits), low(bits)) };
                image.set_word(table, address, first);
                image.set_word(table, address + 1, second);
            }
            Self::Signed32 { scale } => {
                let bits = steps(value, scale, f64::from(i32::MIN), f64::from(i32::MAX));
                image.set_word(table, address, low(bits));
                image.set_word(table, address + 1, high(bits));
            }
            Self::LowByte => {
                image.set_bits(table, address, 0x00FF, low(steps(value, 1.0, -128.0, 127.0)));
            }
            Self::Flag { mask } => {
                image.set_bits(table, address, mask, if value == 0.0 { 0 } else { mask });
            }
            Self::HighByte => {
                image.set_bits(table, address, 0xFF00, if value == 0.0 { 0x0200 } else { 0x0100 });
            }
            Self::Bit { inverted } => image.set_bit(table, address, (value != 0.0) != inverted),
        }
    }

    /// What the control shows while it has no value.
    pub(crate) fn blank(self, image: &mut Image, table: Table, address: u16) {
        match self {
            Self::Float => self.write(image, table, address, f64::NAN),
            Self::Unsigned { offset, .. } => {
                image.set_word(table, address, if offset == 0.0 { 0xFFFF } else { 0 });
            }
            Self::Signed { .. } => image.set_word(table, address, 0x8000),
            Self::Unsigned32 { .. } => {
                image.set_word(table, address, 0xFFFF);
                image.set_word(table, address + 1, 0xFFFF);
            }
            Self::Signed32 { .. } => image.set_word(table, address + 1, 0x8000),
            Self::LowByte | Self::Flag { .. } | Self::HighByte | Self::Bit { .. } => {}
        }
    }

    /// What is left of a value after its trip through the registers, at this coding's resolution.
    pub(crate) fn rounded(self, value: f64) -> f64 {
        match self {
            Self::Float => f64::from(single(value)),
            Self::Unsigned { scale, offset } => whole(value - offset, scale) * scale + offset,
            Self::Signed { scale } | Self::Unsigned32 { scale, .. } | Self::Signed32 { scale } => {
                whole(value, scale) * scale
            }
            Self::LowByte => whole(value, 1.0),
            Self::Flag { .. } | Self::HighByte | Self::Bit { .. } => f64::from(u8::from(value != 0.0)),
        }
    }
}

#[allow(clippy::cast_possible_truncation, reason = "what is kept has no more")]
pub(super) const fn single(value: f64) -> f32 {
    value as f32
}

fn whole(value: f64, scale: f64) -> f64 {
    (value / scale).round()
}

/// The nearest whole number of steps, held within what fits, as the bits of the register.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held within the limits")]
fn steps(value: f64, scale: f64, least: f64, most: f64) -> u32 {
    whole(value, scale).clamp(least, most) as i64 as u32
}

#[allow(clippy::cast_possible_truncation, reason = "the low half is meant")]
const fn low(bits: u32) -> u16 {
    bits as u16
}

const fn high(bits: u32) -> u16 {
    low(bits >> 16)
}
