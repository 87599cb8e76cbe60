//! Who sends and who is meant.

use std::fmt;

/// A link address. 0 to 65519 are devices; above are reserved, self and broadcast addresses (clause 9.2.4.3.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Address(u16);

impl Address {
    /// The highest address of a device.
    pub const MAX_DEVICE: u16 = 0xFFEF;

    /// The address of one device; none if it is a reserved one.
    #[must_use]
    pub const fn device(number: u16) -> Option<Self> {
        if number <= Self::MAX_DEVICE { Some(Self(number)) } else { None }
    }

    /// Whatever came over the wire.
    #[must_use]
    pub const fn from_wire(number: u16) -> Self {
        Self(number)
    }

    /// The number.
    #[must_use]
    pub const fn number(self) -> u16 {
        self.0
    }

    /// Whether every device is meant.
    #[must_use]
    pub const fn is_broadcast(self) -> bool {
        self.0 >= 0xFFFD
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
