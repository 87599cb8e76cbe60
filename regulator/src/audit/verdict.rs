//! What the audit says.

use super::{Basis, Limits, TapAudit, state::LEARNT};
use crate::Timestamp;

/// Offset and drop, steps, below which two independent measurements would hardly agree.
const TOO_ALIKE: f64 = 0.06;
/// How well the drop must be known to say so.
const DROP_KNOWN: f64 = 0.1;

/// The reported tap against the implied one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// No change of the offset has been seen, and it is within what the accuracy classes allow.
    Agrees {
        /// Implied less reported, steps, at no load.
        offset: f64,
        /// A report that was wrong by up to this many steps before the audit began would look the same.
        hidden: u32,
    },
    /// The report is off.
    Slipped {
        /// Implied less reported, whole steps; never zero.
        by: i32,
        /// Least it can be.
        from: i32,
        /// Most it can be.
        to: i32,
        /// First readings that show it; nothing if it was so before the audit began.
        since: Option<Timestamp>,
    },
    /// Cannot be told.
    CannotTell(Why),
}

/// Why the audit cannot tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Why {
    /// No reading yet had a good tap and load voltage.
    Nothing,
    /// Still learning what offset is usual: averages so far, and needed.
    Learning {
        /// Averages so far.
        blocks: u32,
        /// Averages needed.
        of: u32,
    },
    /// No source voltage. Whether operations move the load voltage is all that can be told.
    NoSourceVoltage {
        /// Operations judged by the load voltage.
        operations: u32,
        /// Those that it answered, as far as noise lets it be told.
        answered: u32,
    },
    /// The offset moved by a number of steps that is not whole: a voltage measurement changed.
    NotWhole {
        /// By this many steps.
        by: f64,
        /// Since then.
        since: Timestamp,
    },
    /// Source and load voltage agree with the reported tap better than two measurements could, without a series drop: the
    /// source voltage seems to be computed from the other two, and follows a wrong report.
    Computed,
    /// The implied tap lies beyond the changer's range: nameplate (type, steps) or voltage measurement is wrong.
    BeyondRange {
        /// The implied tap.
        implied: f64,
    },
}

impl Verdict {
    /// In words, one line.
    #[must_use]
    pub fn words(&self) -> String {
        match *self {
            Self::Agrees { offset, hidden } => format!(
                "agrees: the voltages imply a tap {:+.1} steps from the reported one, without change; an old \
                 error of up to {hidden} steps would look the same",
                // What rounds to zero has no sign to speak of.
                (10.0 * offset).round() / 10.0 + 0.0
            ),
            Self::Slipped { by, from, to, since } => {
                let range =
                    if from == to { String::new() } else { format!(" (between {from:+} and {to:+})") };
                let since = since.map_or_else(
                    || "more than the accuracy of the voltages explains".to_owned(),
                    |at| format!("since {}", at.format("%Y-%m-%d %H:%M UTC")),
                );
                format!("the voltages imply a tap {by:+} steps{range} from the reported one, {since}")
            }
            Self::CannotTell(why) => format!("cannot tell: {}", why.words()),
        }
    }
}

impl Why {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match *self {
            Self::Nothing => "no reading had tap and load voltage".to_owned(),
            Self::Learning { blocks, of } => {
                format!("still learning the usual offset, {blocks} of {of} averages")
            }
            Self::NoSourceVoltage { operations, answered } => format!(
                "no source voltage; the load voltage answered {answered} of {operations} operations, which says \
                 nothing of the position itself"
            ),
            Self::NotWhole { by, .. } => {
                format!(
                    "the offset moved by {by:+.1} steps, not a whole number: a voltage measurement changed"
                )
            }
            Self::Computed => "the source voltage seems to be computed from load voltage and reported tap, and would follow a wrong \
                report"
                .to_owned(),
            Self::BeyondRange { implied } => format!(
                "the implied tap {implied:+.1} is beyond the range: nameplate or voltage measurement is wrong"
            ),
        }
    }
}

impl TapAudit {
    /// What can be said now.
    #[must_use]
    pub fn verdict(&self, limits: &Limits) -> Verdict {
        let Some(tap) = self.tap else { return Verdict::CannotTell(Why::Nothing) };
        let since = |s| Timestamp::from_timestamp(s, 0);
        if self.slip != 0 {
            let by = i32::from(self.slip);
            return Verdict::Slipped { by, from: by, to: by, since: self.since_s.and_then(since) };
        }
        if self.basis == Basis::Nowhere {
            let (operations, answered) =
                self.response.as_ref().map_or((0, 0), |r| (r.operations, r.answered));
            return Verdict::CannotTell(Why::NoSourceVoltage { operations, answered });
        }
        let level = self.reference.level();
        let bound = self.bound(limits);
        let explained = level.abs() - 2.0 * self.reference.level_error() <= bound;
        match self.odd {
            Some((by, at_s)) if self.blocks < LEARNT || !explained => {
                let since = since(at_s).unwrap_or_default();
                return Verdict::CannotTell(Why::NotWhole { by: by.into(), since });
            }
            _ if self.blocks < LEARNT => {
                let (blocks, of) = (self.blocks.into(), LEARNT.into());
                return Verdict::CannotTell(Why::Learning { blocks, of });
            }
            _ => {}
        }
        if explained && self.is_computed(limits) {
            return Verdict::CannotTell(Why::Computed);
        }
        if explained {
            return Verdict::Agrees { offset: level, hidden: whole(level.abs() + bound).unsigned_abs() };
        }
        let implied = f64::from(tap) + level;
        if beyond(limits, implied, bound) {
            return Verdict::CannotTell(Why::BeyondRange { implied });
        }
        let (low, high) = (level - bound, level + bound);
        let (from, to) = if level > 0.0 {
            (whole(low).max(0) + 1, whole(high))
        } else {
            (whole(low), whole(high).min(0) - 1)
        };
        Verdict::Slipped { by: whole(level.round()), from, to, since: None }
    }

    /// Offset that can be explained without a wrong tap: by accuracy, and by the supply where the source voltage is another phase's.
    pub(super) fn bound(&self, limits: &Limits) -> f64 {
        limits.bound + self.basis.allowance() / limits.step
    }

    /// Whether the two voltages and the tap agree too well: offset, drop and scatter of no more than rounding.
    fn is_computed(&self, limits: &Limits) -> bool {
        let (drop, error) = self.reference.drop();
        self.reference.level().abs() < TOO_ALIKE
            && drop.abs() < TOO_ALIKE
            && error < DROP_KNOWN
            && f64::from(self.scatter) < limits.rounding_variance()
    }
}

/// Whether a tap is beyond the changer's range by more than `slack` steps.
pub(super) fn beyond(limits: &Limits, tap: f64, slack: f64) -> bool {
    tap > f64::from(limits.nameplate.tap_max) + slack || tap < f64::from(limits.nameplate.tap_min) - slack
}

/// Steps without their fraction.
#[allow(clippy::cast_possible_truncation, reason = "offsets are a few steps")]
fn whole(steps: f64) -> i32 {
    steps.clamp(-1e6, 1e6) as i32
}
