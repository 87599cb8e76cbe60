//! The protocols that controls speak.

/// One protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Protocol {
    /// Modbus, whatever its framing.
    #[default]
    Modbus,
    /// DNP3 (IEEE 1815).
    Dnp3,
}

impl Protocol {
    /// Every protocol.
    pub const ALL: &'static [Self] = &[Self::Modbus, Self::Dnp3];

    /// The name used in profiles.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Modbus => "modbus",
            Self::Dnp3 => "dnp3",
        }
    }

    /// The protocol of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|p| p.name() == name)
    }

    /// The name shown to people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Modbus => "Modbus",
            Self::Dnp3 => "DNP3",
        }
    }

    /// The highest number of a unit behind an endpoint: a Modbus unit identifier, or the link address of a DNP3 outstation.
    #[must_use]
    pub const fn highest_unit(self) -> u16 {
        match self {
            Self::Modbus => 255,
            Self::Dnp3 => dnp3::link::Address::MAX_DEVICE,
        }
    }
}
