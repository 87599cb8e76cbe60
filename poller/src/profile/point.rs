//! One point of a profile: where it is, how its raw words read, and what its values mean.

use regulator::Quantity;

use crate::modbus::Table;

/// How the 16-bit words of a value, and the bytes within each, follow one another.
///
/// The protocol fixes big-endian bytes within a register and says nothing of 32-bit values, so all four orders exist in
/// the field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Order {
    /// The least significant word comes first.
    pub little_words: bool,
    /// The two bytes of every register are swapped.
    pub little_bytes: bool,
}

impl Order {
    /// One register with its bytes in the protocol's order.
    #[must_use]
    pub const fn word(self, word: u16) -> u16 {
        if self.little_bytes { word.swap_bytes() } else { word }
    }

    /// Two registers as one 32-bit value.
    #[must_use]
    pub fn double(self, words: [u16; 2]) -> u32 {
        let [first, second] = words.map(|w| u32::from(self.word(w)));
        if self.little_words { second << 16 | first } else { first << 16 | second }
    }
}

/// How a point's raw words read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One coil or discrete input.
    Bit,
    /// Some bits of one register, shifted down to the lowest bit of the mask.
    Bits {
        /// Which bits.
        mask: u16,
        /// Whether the highest of them is a sign (two's complement).
        signed: bool,
    },
    /// One register, 0 to 65535.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, 0 to 4294967295.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754 single precision.
    F32,
}

impl Kind {
    /// The names used in profiles.
    pub const NAMES: &'static [&'static str] = &["bit", "bits", "u16", "i16", "u32", "i32", "f32"];

    /// How many items of its table the value takes.
    #[must_use]
    pub const fn width(self) -> u16 {
        match self {
            Self::Bit | Self::Bits { .. } | Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }

    /// How many bits of raw value there are.
    #[must_use]
    pub const fn bits(self) -> u32 {
        match self {
            Self::Bit => 1,
            Self::Bits { mask, .. } => 16u32.saturating_sub(mask.leading_zeros() + mask.trailing_zeros()),
            Self::U16 | Self::I16 => 16,
            Self::U32 | Self::I32 | Self::F32 => 32,
        }
    }

    /// The number that a raw value stands for, before scaling.
    #[must_use]
    pub fn number(self, raw: Raw) -> f64 {
        match self {
            Self::Bit | Self::U16 | Self::U32 | Self::Bits { signed: false, .. } => f64::from(raw.0),
            Self::I16 | Self::I32 | Self::Bits { signed: true, .. } => {
                f64::from(sign_extend(raw.0, self.bits()))
            }
            Self::F32 => f64::from(f32::from_bits(raw.0)),
        }
    }
}

/// Two's complement of the lowest `bits` bits.
#[allow(clippy::cast_possible_wrap, reason = "reading a bit pattern as signed is the purpose")]
const fn sign_extend(raw: u32, bits: u32) -> i32 {
    let shift = 32u32.saturating_sub(bits);
    if shift >= 32 { 0 } else { ((raw << shift) as i32) >> shift }
}

/// The bits of a value as read, in the protocol's order, not yet a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Raw(pub u32);

/// A raw value that means "not available".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RawMatch {
    /// This bit pattern.
    Exactly(u32),
    /// Any floating-point value that is not a number.
    NotANumber,
}

impl RawMatch {
    /// Whether a raw value of this kind is the one meant.
    #[must_use]
    pub fn matches(self, kind: Kind, raw: Raw) -> bool {
        match self {
            Self::Exactly(bits) => raw.0 == bits,
            Self::NotANumber => kind == Kind::F32 && f32::from_bits(raw.0).is_nan(),
        }
    }
}

/// One point of a profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// What it reports.
    pub quantity: Quantity,
    /// Which of the control's regulators it belongs to, 1 to 3.
    pub position: u8,
    /// The table it is in.
    pub table: Table,
    /// Its first address, counted from 0 as on the wire.
    pub address: u16,
    /// How its raw words read.
    pub kind: Kind,
    /// In which order its words and bytes come.
    pub order: Order,
    /// The value is the raw number times this,
    pub scale: f64,
    /// plus this.
    pub offset: f64,
    /// Lowest and highest value that can be right.
    pub valid: Option<(f64, f64)>,
    /// Raw values by which the device says that it has none.
    pub not_available: Vec<RawMatch>,
    /// Raw values that mean yes; when empty, anything but 0 does.
    pub yes_when: Vec<u32>,
    /// Where a counter starts again at zero.
    pub rollover: Option<u64>,
    /// Its line in the file.
    pub line: usize,
}

impl Point {
    /// The last address that it takes; above 65535 when it does not fit.
    #[must_use]
    pub fn last_address(&self) -> u32 {
        u32::from(self.address) + u32::from(self.kind.width()) - 1
    }

    /// The raw value in the registers that hold it; none when there are too few.
    #[must_use]
    pub fn raw_from_registers(&self, words: &[u16]) -> Option<Raw> {
        let first = *words.first()?;
        match self.kind {
            Kind::Bit => None,
            Kind::Bits { mask, .. } => {
                Some(Raw(u32::from((self.order.word(first) & mask) >> mask.trailing_zeros().min(15))))
            }
            Kind::U16 | Kind::I16 => Some(Raw(u32::from(self.order.word(first)))),
            Kind::U32 | Kind::I32 | Kind::F32 => Some(Raw(self.order.double([first, *words.get(1)?]))),
        }
    }

    /// The value of a raw value: scaled, or 1 and 0 for yes and no.
    #[must_use]
    pub fn value(&self, raw: Raw) -> f64 {
        if self.quantity.is_flag() {
            let yes = if self.yes_when.is_empty() { raw.0 != 0 } else { self.yes_when.contains(&raw.0) };
            return f64::from(u8::from(yes));
        }
        self.kind.number(raw) * self.scale + self.offset
    }

    /// How people are told which point this is.
    #[must_use]
    pub fn label(&self) -> String {
        label(self.quantity.name(), self.position)
    }
}

/// "load_voltage of position 2".
pub(super) fn label(quantity: &str, position: u8) -> String {
    format!("{quantity} of position {position}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(kind: Kind, order: Order) -> Point {
        Point {
            quantity: Quantity::LoadVoltage,
            position: 1,
            table: Table::Holding,
            address: 0,
            kind,
            order,
            scale: 1.0,
            offset: 0.0,
            valid: None,
            not_available: vec![],
            yes_when: vec![],
            rollover: None,
            line: 1,
        }
    }

    fn read(kind: Kind, order: Order, words: &[u16]) -> f64 {
        let p = point(kind, order);
        p.value(p.raw_from_registers(words).unwrap())
    }

    /// IEEE 754: 123.456 in single precision is 42 F6 E9 79.
    #[test]
    fn a_float_reads_the_same_in_all_four_orders() {
        for (little_words, little_bytes, words) in [
            (false, false, [0x42F6, 0xE979]),
            (true, false, [0xE979, 0x42F6]),
            (false, true, [0xF642, 0x79E9]),
            (true, true, [0x79E9, 0xF642]),
        ] {
            let order = Order { little_words, little_bytes };
            assert_eq!(read(Kind::F32, order, &words), f64::from(123.456_f32), "{order:?}");
        }
    }

    #[test]
    fn whole_numbers_read_signed_and_unsigned() {
        let plain = Order::default();
        assert_eq!(read(Kind::U16, plain, &[0xFFFE]), 65_534.0);
        assert_eq!(read(Kind::I16, plain, &[0xFFFE]), -2.0);
        assert_eq!(read(Kind::I16, Order { little_bytes: true, ..plain }, &[0xFEFF]), -2.0);
        assert_eq!(read(Kind::U32, plain, &[0x0001, 0x0002]), 65_538.0);
        assert_eq!(read(Kind::I32, Order { little_words: true, ..plain }, &[0xFFFF, 0xFFFF]), -1.0);
    }

    #[test]
    fn bits_of_a_register_are_shifted_down_and_may_be_signed() {
        let plain = Order::default();
        let field = |mask, signed| Kind::Bits { mask, signed };
        assert_eq!(read(field(0x0F00, false), plain, &[0x5A77]), 10.0);
        assert_eq!(read(field(0x0F00, true), plain, &[0x5A77]), -6.0);
        assert_eq!(read(field(0xFFFF, true), plain, &[0xFFFF]), -1.0);
        assert_eq!(read(field(0x8000, false), plain, &[0x8000]), 1.0);
    }

    #[test]
    fn too_few_registers_are_no_value() {
        assert_eq!(point(Kind::F32, Order::default()).raw_from_registers(&[1]), None);
        assert_eq!(point(Kind::U16, Order::default()).raw_from_registers(&[]), None);
    }
}
