//! The ten bytes that begin a frame, and what they say.

use super::Address;

/// Start bytes, length, control, two addresses, check word.
pub const HEADER_LENGTH: usize = 10;
pub(super) const START: [u8; 2] = [0x05, 0x64];

const DIRECTION: u8 = 0x80;
const PRIMARY: u8 = 0x40;
const COUNT_BIT: u8 = 0x20;
const COUNT_VALID: u8 = 0x10;
const FUNCTION: u8 = 0x0F;

/// What a primary station asks (table 9-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Primary {
    /// Begin anew with the frame count bit.
    ResetLinkStates,
    /// Is the frame count bit as expected?
    TestLinkStates,
    /// User data to be acknowledged by the link layer.
    ConfirmedUserData,
    /// User data.
    UnconfirmedUserData,
    /// Are you there?
    RequestLinkStatus,
}

/// What a secondary station answers (table 9-2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Secondary {
    /// Done.
    Ack,
    /// Not done: busy, or the link was not reset.
    Nack,
    /// I am here.
    LinkStatus,
    /// This function is not supported.
    NotSupported,
}

/// The function of a frame; numbers without a meaning are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Function {
    /// From a primary station.
    Primary(Primary),
    /// From a secondary station.
    Secondary(Secondary),
    /// A function number that the standard gives no meaning.
    Unknown {
        /// Whether it came from a primary station.
        primary: bool,
        /// 0 to 15.
        number: u8,
    },
}

impl Function {
    const fn from_control(control: u8) -> Self {
        let number = control & FUNCTION;
        if control & PRIMARY != 0 {
            Self::Primary(match number {
                0 => Primary::ResetLinkStates,
                2 => Primary::TestLinkStates,
                3 => Primary::ConfirmedUserData,
                4 => Primary::UnconfirmedUserData,
                9 => Primary::RequestLinkStatus,
                _ => return Self::Unknown { primary: true, number },
            })
        } else {
            Self::Secondary(match number {
                0 => Secondary::Ack,
                1 => Secondary::Nack,
                11 => Secondary::LinkStatus,
                15 => Secondary::NotSupported,
                _ => return Self::Unknown { primary: false, number },
            })
        }
    }

    const fn bits(self) -> u8 {
        match self {
            Self::Primary(function) => {
                PRIMARY
                    | match function {
                        Primary::ResetLinkStates => 0,
                        Primary::TestLinkStates => 2,
                        Primary::ConfirmedUserData => 3,
                        Primary::UnconfirmedUserData => 4,
                        Primary::RequestLinkStatus => 9,
                    }
            }
            Self::Secondary(function) => match function {
                Secondary::Ack => 0,
                Secondary::Nack => 1,
                Secondary::LinkStatus => 11,
                Secondary::NotSupported => 15,
            },
            Self::Unknown { primary, number } => (if primary { PRIMARY } else { 0 }) | (number & FUNCTION),
        }
    }
}

/// The control byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Control {
    /// Whether the frame comes from the master's side.
    pub from_master: bool,
    /// What is asked or answered.
    pub function: Function,
    /// The frame count bit. Of a secondary station: reserved.
    pub count_bit: bool,
    /// From a primary station: the frame count bit counts. From a secondary station: receive buffers are full.
    pub count_valid: bool,
}

impl Control {
    /// A control byte without a frame count.
    #[must_use]
    pub const fn new(from_master: bool, function: Function) -> Self {
        Self { from_master, function, count_bit: false, count_valid: false }
    }

    /// As it came over the wire.
    #[must_use]
    pub const fn from_byte(byte: u8) -> Self {
        Self {
            from_master: byte & DIRECTION != 0,
            function: Function::from_control(byte),
            count_bit: byte & COUNT_BIT != 0,
            count_valid: byte & COUNT_VALID != 0,
        }
    }

    /// As it goes over the wire.
    #[must_use]
    pub const fn byte(self) -> u8 {
        flag(self.from_master, DIRECTION)
            | flag(self.count_bit, COUNT_BIT)
            | flag(self.count_valid, COUNT_VALID)
            | self.function.bits()
    }
}

const fn flag(on: bool, bit: u8) -> u8 {
    if on { bit } else { 0 }
}

/// Who says what to whom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// What.
    pub control: Control,
    /// To whom.
    pub destination: Address,
    /// From whom.
    pub source: Address,
}
