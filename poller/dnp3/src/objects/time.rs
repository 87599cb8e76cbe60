//! Times on the wire (clause 11.3, DNP3TIME).

/// Milliseconds since 1970-01-01T00:00:00Z, 48 bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Timestamp(u64);

impl Timestamp {
    const MASK: u64 = 0xFFFF_FFFF_FFFF;

    /// Milliseconds since 1970, cut to 48 bits.
    #[must_use]
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis & Self::MASK)
    }

    /// Milliseconds since 1970.
    #[must_use]
    pub const fn millis(self) -> u64 {
        self.0
    }

    /// As it came over the wire.
    #[must_use]
    pub const fn from_bytes(b: [u8; 6]) -> Self {
        Self(u64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], 0, 0]))
    }

    /// As it goes over the wire.
    #[must_use]
    pub const fn bytes(self) -> [u8; 6] {
        let b = self.0.to_le_bytes();
        [b[0], b[1], b[2], b[3], b[4], b[5]]
    }

    /// So much later.
    #[must_use]
    pub const fn plus(self, millis: u64) -> Self {
        Self::from_millis(self.0.wrapping_add(millis))
    }
}

/// When an event happened, and how far the device's clock could be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Time {
    /// By the device's clock.
    pub at: Timestamp,
    /// Whether the clock was synchronised, where the object itself says so (groups 2 and 4 with relative time). Otherwise the
    /// internal indication "need time" is all there is.
    pub synchronised: Option<bool>,
}
