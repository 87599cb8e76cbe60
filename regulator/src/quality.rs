//! How far a reported value can be trusted.

use serde::{Deserialize, Serialize};

/// The quality of one quantity of a reading. The numbers are a contract: they are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Quality {
    /// The profile does not map this quantity, or this reading did not cover it.
    #[default]
    NotReported = 0,
    /// Usable.
    Good = 1,
    /// Outside the profile's valid range, or a tap beyond its limits. Kept, never used in a rule.
    OutOfRange = 2,
    /// The device said that it has no value.
    NotAvailable = 3,
    /// The device refused the request for it (a Modbus exception), or its block could not be read.
    Unreadable = 4,
    /// Not a number, or not decodable as the type that the profile states.
    Invalid = 5,
    /// Has not changed at all for longer than a live measurement can stay the same.
    Frozen = 6,
    /// Carried from an earlier reading, older than its poll interval allows.
    Stale = 7,
    /// Could not happen physically given the readings before it (a counter that jumped).
    Implausible = 8,
    /// The device says that the point is not on line.
    Offline = 9,
    /// The device has restarted and not renewed the value since.
    Restarted = 10,
    /// The device has lost contact with where the value comes from.
    CommunicationLost = 11,
    /// Somebody has overridden the value, at the device or elsewhere.
    Forced = 12,
    /// The device says that the quantity is beyond what it can report.
    OverRange = 13,
    /// The device says that its analog reference is off.
    ReferenceCheck = 14,
    /// The device says that the counter cannot be compared with what it showed before.
    Discontinuity = 15,
    /// The device says that the counter has passed its end.
    RolledOver = 16,
    /// The device says that the state changes too often to be believed.
    Chatter = 17,
}

impl Quality {
    /// Every quality.
    pub const ALL: &'static [Self] = &[
        Self::NotReported,
        Self::Good,
        Self::OutOfRange,
        Self::NotAvailable,
        Self::Unreadable,
        Self::Invalid,
        Self::Frozen,
        Self::Stale,
        Self::Implausible,
        Self::Offline,
        Self::Restarted,
        Self::CommunicationLost,
        Self::Forced,
        Self::OverRange,
        Self::ReferenceCheck,
        Self::Discontinuity,
        Self::RolledOver,
        Self::Chatter,
    ];

    /// The stored number.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// The quality stored as `code`; an unknown code reads as [`Quality::Invalid`], so that data written by a newer
    /// program is never taken for good.
    #[must_use]
    pub fn from_code(code: u8) -> Self {
        Self::ALL.iter().copied().find(|q| q.code() == code).unwrap_or(Self::Invalid)
    }

    /// A few words for people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::NotReported => "not reported",
            Self::Good => "good",
            Self::OutOfRange => "out of range",
            Self::NotAvailable => "not available",
            Self::Unreadable => "could not be read",
            Self::Invalid => "not a valid value",
            Self::Frozen => "frozen",
            Self::Stale => "stale",
            Self::Implausible => "implausible",
            Self::Offline => "off line",
            Self::Restarted => "not renewed since restart",
            Self::CommunicationLost => "communication lost",
            Self::Forced => "forced by hand",
            Self::OverRange => "over range",
            Self::ReferenceCheck => "reference check failed",
            Self::Discontinuity => "counter discontinuous",
            Self::RolledOver => "counter rolled over",
            Self::Chatter => "chattering",
        }
    }
}
