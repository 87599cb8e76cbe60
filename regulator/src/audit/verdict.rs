//! What the audit says.

use crate::Timestamp;

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
                "agrees: the voltages imply a tap {offset:+.1} steps from the reported one, without change; an old \
                 error of up to {hidden} steps would look the same"
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
            Self::BeyondRange { implied } => format!(
                "the implied tap {implied:+.1} is beyond the range: nameplate or voltage measurement is wrong"
            ),
        }
    }
}
