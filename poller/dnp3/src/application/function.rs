//! What a fragment is for (table 4-2). Only what a monitoring master and its outstation deal in has a name here.

/// A function code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Function {
    /// A fragment was received.
    Confirm,
    /// Objects are asked for.
    Read,
    /// Objects are to be stored: times, and the restart indication to be cleared.
    Write,
    /// Unsolicited responses may be sent.
    EnableUnsolicited,
    /// Unsolicited responses may not be sent.
    DisableUnsolicited,
    /// How long does the outstation take to answer?
    DelayMeasurement,
    /// Remember when this arrived.
    RecordCurrentTime,
    /// An answer.
    Response,
    /// An answer to no question.
    Unsolicited,
    /// Everything else.
    Other(u8),
}

impl Function {
    /// As it came over the wire.
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        match code {
            0 => Self::Confirm,
            1 => Self::Read,
            2 => Self::Write,
            20 => Self::EnableUnsolicited,
            21 => Self::DisableUnsolicited,
            23 => Self::DelayMeasurement,
            24 => Self::RecordCurrentTime,
            129 => Self::Response,
            130 => Self::Unsolicited,
            other => Self::Other(other),
        }
    }
}
