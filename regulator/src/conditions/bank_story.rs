//! Short stories of a bank for tests: rounds of readings in, what would be told out.

use super::{
    BankDetector, BankUnit, Member, Settings,
    story::{at, told},
};
use crate::{Connection, Nameplate, Phase, Quantity, Reading};

pub(super) const WYE: [Phase; 3] = [Phase::A, Phase::B, Phase::C];

/// One bank under watch.
pub(super) struct BankStory {
    pub(super) connection: Connection,
    pub(super) members: Vec<Member>,
    pub(super) settings: Settings,
    pub(super) detector: BankDetector,
    pub(super) every_s: f64,
}

impl BankStory {
    fn new(connection: Connection, phases: &[Phase]) -> Self {
        let member = |phase: &Phase| Member::new(*phase, &Nameplate::common());
        Self {
            connection,
            members: phases.iter().map(member).collect(),
            settings: Settings::default(),
            detector: BankDetector::new(),
            every_s: 10.0,
        }
    }

    pub(super) fn wye() -> Self {
        Self::new(Connection::Wye, &WYE)
    }

    pub(super) fn closed_delta() -> Self {
        Self::new(Connection::ClosedDelta, &[Phase::AB, Phase::BC, Phase::CA])
    }

    pub(super) fn open_delta() -> Self {
        Self::new(Connection::OpenDelta, &[Phase::AB, Phase::BC])
    }

    pub(super) fn single() -> Self {
        Self::new(Connection::Wye, &[Phase::A])
    }

    pub(super) fn unit(&self) -> BankUnit {
        let members: Vec<_> =
            self.members.iter().map(|m| Member { poll_interval_s: self.every_s, ..*m }).collect();
        BankUnit::new(self.connection, &members, &self.settings)
    }

    pub(super) fn moves_together(&self) -> bool {
        self.detector.moves_together(&self.unit())
    }

    /// One reading of every member at this second: tap and load voltage.
    pub(super) fn round(&mut self, s: i64, taps: [Option<f64>; 3], volts: [Option<f64>; 3]) -> Vec<String> {
        let unit = self.unit();
        let mut lines = vec![];
        for ((member, tap), volts) in self.members.iter().zip(taps).zip(volts) {
            let mut reading = Reading::new(at(s));
            for (quantity, value) in [(Quantity::Tap, tap), (Quantity::LoadVoltage, volts)] {
                reading = value.map_or(reading.clone(), |v| reading.with(quantity, v));
            }
            lines.extend(told(self.detector.observe(&unit, member.phase, &reading)));
        }
        lines
    }
}
