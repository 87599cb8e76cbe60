//! How a request can fail, told apart by what it says about the device.

use super::ReadRequest;

/// The kinds of failure that are counted. The names are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ErrorKind {
    /// No connection could be made.
    Connect,
    /// No answer came in time.
    Timeout,
    /// The device is there and refuses the request.
    Exception,
    /// Something came that is not the answer to the request.
    Malformed,
    /// The connection ended.
    Closed,
    /// The endpoint cannot be polled as configured.
    Configuration,
}

impl ErrorKind {
    /// Every kind.
    pub const ALL: &'static [Self] =
        &[Self::Connect, Self::Timeout, Self::Exception, Self::Malformed, Self::Closed, Self::Configuration];

    /// The stored name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Connect => "connect",
            Self::Timeout => "timeout",
            Self::Exception => "exception",
            Self::Malformed => "malformed",
            Self::Closed => "closed",
            Self::Configuration => "configuration",
        }
    }
}

/// A Modbus exception: the device said no (Modbus Application Protocol V1.1b3, 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("exception {0} ({name})", name = self.name())]
pub struct Exception(pub u8);

impl Exception {
    /// The specification's name of the code.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self.0 {
            0x01 => "illegal function",
            0x02 => "illegal data address",
            0x03 => "illegal data value",
            0x04 => "server device failure",
            0x05 => "acknowledge",
            0x06 => "server device busy",
            0x08 => "memory parity error",
            0x0A => "gateway path unavailable",
            0x0B => "gateway target device failed to respond",
            _ => "unknown code",
        }
    }

    /// Whether it is the gateway's way of saying that the unit behind it is silent.
    #[must_use]
    pub const fn means_silence(self) -> bool {
        matches!(self.0, 0x0A | 0x0B)
    }
}

/// Why a request brought no data.
#[derive(Debug, thiserror::Error)]
pub enum ModbusError {
    /// No connection could be made.
    #[error("cannot connect to {address}")]
    Connect {
        /// Where to.
        address: String,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
    /// No answer came in time; the connection was dropped.
    #[error("no answer to {request} within {millis} ms")]
    Timeout {
        /// What was asked.
        request: ReadRequest,
        /// How long was waited.
        millis: u128,
    },
    /// The device refused; the connection stays usable.
    #[error("{request} refused: {exception}")]
    Exception {
        /// What was asked.
        request: ReadRequest,
        /// What the device said.
        #[source]
        exception: Exception,
    },
    /// Something else than the answer came; the connection was dropped.
    #[error("wrong answer to {request}: {what}")]
    Malformed {
        /// What was asked.
        request: ReadRequest,
        /// What was wrong with it.
        what: String,
    },
    /// The connection ended.
    #[error("connection ended at {request}")]
    Closed {
        /// What was asked.
        request: ReadRequest,
        /// Why, if the system says.
        #[source]
        source: Option<std::io::Error>,
    },
}

impl ModbusError {
    /// The kind to count it under.
    #[must_use]
    pub const fn kind(&self) -> ErrorKind {
        match self {
            Self::Connect { .. } => ErrorKind::Connect,
            Self::Timeout { .. } => ErrorKind::Timeout,
            Self::Exception { .. } => ErrorKind::Exception,
            Self::Malformed { .. } => ErrorKind::Malformed,
            Self::Closed { .. } => ErrorKind::Closed,
        }
    }

    /// The whole story on one line: this error and its causes.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            // the cause is already part of the line
            Self::Exception { .. } => self.to_string(),
            Self::Connect { source, .. } | Self::Closed { source: Some(source), .. } => {
                format!("{self}: {source}")
            }
            _ => self.to_string(),
        }
    }
}
