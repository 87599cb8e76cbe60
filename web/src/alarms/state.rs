//! The states of an alarm, in the words of ISA-18.2 and IEC 62682.

/// The state of an alarm. Shelving and suppression are not built yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmState {
    /// True, and nobody has acknowledged it.
    Unacknowledged,
    /// True, and someone has.
    Acknowledged,
    /// True no longer, and nobody has acknowledged it.
    ReturnedUnacknowledged,
    /// Over.
    Normal,
}

impl AlarmState {
    /// The state of an alarm that has, or has not, returned to normal and been acknowledged.
    #[must_use]
    pub const fn of(returned: bool, acknowledged: bool) -> Self {
        match (returned, acknowledged) {
            (false, false) => Self::Unacknowledged,
            (false, true) => Self::Acknowledged,
            (true, false) => Self::ReturnedUnacknowledged,
            (true, true) => Self::Normal,
        }
    }

    /// The standard's words.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::Normal => "normal",
        }
    }

    /// Whether the condition is still true.
    #[must_use]
    pub const fn is_open(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }
}
