//! Internal indications: what an outstation says of itself in every response (clause 4.2.2.6).

use std::fmt;

/// Two bytes of indications.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Indications(u16);

macro_rules! indications {
    ($($(#[$doc:meta])+ $name:ident $bit:literal $words:literal;)+) => {
        impl Indications {
            $($(#[$doc])+ pub const $name: Self = Self(1 << $bit);)+
            const WORDS: &'static [(Self, &'static str)] = &[$((Self::$name, $words),)+];
        }
    };
}

indications! {
    /// The request was sent to everybody.
    BROADCAST 0 "broadcast";
    /// There are events of class 1.
    CLASS_1 1 "class 1 events";
    /// There are events of class 2.
    CLASS_2 2 "class 2 events";
    /// There are events of class 3.
    CLASS_3 3 "class 3 events";
    /// The clock needs to be set.
    NEED_TIME 4 "needs time";
    /// Some outputs are under local control.
    LOCAL_CONTROL 5 "local control";
    /// Something is wrong with the device.
    DEVICE_TROUBLE 6 "device trouble";
    /// The device has restarted since this was last cleared.
    DEVICE_RESTART 7 "restarted";
    /// The function is not supported.
    NO_FUNCTION 8 "function not supported";
    /// An object is not known.
    OBJECT_UNKNOWN 9 "object unknown";
    /// Something in the request was out of range or made no sense.
    PARAMETER_ERROR 10 "parameter error";
    /// Events were lost.
    EVENT_OVERFLOW 11 "event buffer overflow";
    /// What was asked is being done already.
    ALREADY_EXECUTING 12 "already executing";
    /// The device's configuration is damaged.
    CONFIGURATION_CORRUPT 13 "configuration corrupt";
}

impl Indications {
    /// Nothing to say.
    pub const NONE: Self = Self(0);

    /// There are events of some class.
    pub const ANY_EVENTS: Self = Self(Self::CLASS_1.0 | Self::CLASS_2.0 | Self::CLASS_3.0);

    /// The request could not be carried out, wholly or in part.
    pub const REFUSED: Self = Self(Self::NO_FUNCTION.0 | Self::OBJECT_UNKNOWN.0 | Self::PARAMETER_ERROR.0);

    /// As they came over the wire.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 2]) -> Self {
        Self(u16::from_le_bytes(bytes))
    }

    /// As they go over the wire.
    #[must_use]
    pub const fn bytes(self) -> [u8; 2] {
        self.0.to_le_bytes()
    }

    /// Whether any of `other` is said.
    #[must_use]
    pub const fn any(self, other: Self) -> bool {
        self.0 & other.0 != 0
    }

    /// Both together.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// These without `other`.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }
}

impl fmt::Display for Indications {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words = Self::WORDS.iter().filter(|(bit, _)| self.any(*bit)).map(|(_, words)| *words);
        let Some(first) = words.next() else { return f.write_str("none") };
        f.write_str(first)?;
        words.try_for_each(|word| write!(f, ", {word}"))
    }
}
