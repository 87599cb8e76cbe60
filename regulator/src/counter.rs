//! Operation counters: what happened between two values of one.

/// Fastest a mechanism can tap, operations a second (common practice: a step takes a second or more).
const FASTEST: f64 = 1.0;
/// Operations granted beyond that, for clocks and polls that are not in step.
const SLACK: f64 = 10.0;

/// What happened between two successive values of one operation counter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Counted on by this many.
    Counted(u64),
    /// Passed its highest value and counted on from zero: this many in all.
    RolledOver(u64),
    /// Started again from zero (control restarted or its counter reset); at least this many since.
    Restarted(u64),
    /// Jumped further than a mechanism can tap in the time: another control, or a counter set by hand. How many
    /// operations there were is unknown.
    Jumped,
}

impl Step {
    /// Operations to count; none for a jump.
    #[must_use]
    pub const fn operations(self) -> u64 {
        match self {
            Self::Counted(n) | Self::RolledOver(n) | Self::Restarted(n) => n,
            Self::Jumped => 0,
        }
    }
}

/// What happened between `earlier` and `later`, `elapsed_s` seconds apart, of a counter that starts again at zero when it
/// reaches `modulus`. Mirrored in SQL by `operations_between`.
#[must_use]
pub fn step(earlier: u64, later: u64, modulus: u64, elapsed_s: f64) -> Step {
    let possible = |n: u64| {
        #[allow(clippy::cast_precision_loss, reason = "counts of this size compare exactly enough")]
        let n = n as f64;
        n <= SLACK + (FASTEST * elapsed_s).floor()
    };
    if later >= earlier {
        let n = later - earlier;
        return if possible(n) { Step::Counted(n) } else { Step::Jumped };
    }
    let wrapped = later.saturating_add(modulus).saturating_sub(earlier);
    if possible(wrapped) {
        Step::RolledOver(wrapped)
    } else if possible(later) {
        Step::Restarted(later)
    } else {
        Step::Jumped
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_through_rollover_and_restart() {
        assert_eq!(step(100, 103, 65_536, 60.0), Step::Counted(3));
        assert_eq!(step(65_534, 2, 65_536, 60.0), Step::RolledOver(4));
        assert_eq!(step(u64::from(u32::MAX), 0, 1 << 32, 10.0), Step::RolledOver(1));
        assert_eq!(step(40_000, 2, 65_536, 60.0), Step::Restarted(2));
    }

    #[test]
    fn a_replaced_control_is_not_thousands_of_operations() {
        assert_eq!(step(12_000, 48_000, 65_536, 60.0), Step::Jumped);
        assert_eq!(step(48_000, 12_000, 1 << 32, 60.0), Step::Jumped);
        assert_eq!(Step::Jumped.operations(), 0);
    }
}
