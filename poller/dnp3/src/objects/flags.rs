//! The flags of a value (clause 11.6).

use super::Kind;

/// The flags as they came, not yet interpreted: what the upper bits say depends on the kind of point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Flags(pub u8);

/// One reason why a value is not good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fault {
    /// The point is not on line (the flag ONLINE is clear).
    Offline,
    /// The value has not been renewed since the device restarted.
    Restart,
    /// The device lost contact with where the value comes from.
    CommunicationLost,
    /// Somebody has overridden the value elsewhere.
    RemoteForced,
    /// Somebody has overridden the value at the device.
    LocalForced,
    /// A binary input changes too often to be believed.
    Chatter,
    /// The measured quantity is beyond what can be reported.
    OverRange,
    /// The analog converter's reference is off.
    ReferenceCheck,
    /// A counter has passed its end (obsolete).
    Rollover,
    /// A counter cannot be compared with what it showed before.
    Discontinuity,
}

impl Flags {
    /// On line and nothing else.
    pub const ONLINE: Self = Self(0x01);

    const RESTART: u8 = 0x02;
    const COMMUNICATION_LOST: u8 = 0x04;
    const REMOTE_FORCED: u8 = 0x08;
    const LOCAL_FORCED: u8 = 0x10;
    /// Chatter filter of binaries, over range of analogs, rollover of counters.
    const BIT_5: u8 = 0x20;
    /// Reference check of analogs, discontinuity of counters; of double-bit inputs part of the state.
    const BIT_6: u8 = 0x40;
    /// State of binaries.
    pub(crate) const STATE: u8 = 0x80;
    pub(crate) const OVER_RANGE: u8 = Self::BIT_5;

    /// What is wrong, worst first; nothing for a good value.
    pub fn faults(self, kind: Kind) -> impl Iterator<Item = Fault> {
        use Fault::*;
        let is = |bit: u8| self.0 & bit != 0;
        let (fifth, sixth) = match kind {
            Kind::Binary | Kind::DoubleBit => (Some(Chatter), None),
            Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => (Some(OverRange), Some(ReferenceCheck)),
            Kind::Counter | Kind::FrozenCounter => (Some(Rollover), Some(Discontinuity)),
            Kind::BinaryOutput | Kind::Octets => (None, None),
        };
        [
            (!is(0x01)).then_some(Offline),
            is(Self::COMMUNICATION_LOST).then_some(CommunicationLost),
            is(Self::RESTART).then_some(Restart),
            is(Self::REMOTE_FORCED).then_some(RemoteForced),
            is(Self::LOCAL_FORCED).then_some(LocalForced),
            sixth.filter(|_| is(Self::BIT_6)),
            fifth.filter(|_| is(Self::BIT_5)),
        ]
        .into_iter()
        .flatten()
    }

    /// Whether the value is on line and nothing is wrong with it.
    #[must_use]
    pub fn is_good(self, kind: Kind) -> bool {
        self.faults(kind).next().is_none()
    }
}
