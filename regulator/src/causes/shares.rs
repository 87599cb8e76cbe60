//! How many operations had which cause.

use std::ops::{Add, AddAssign};

use serde::{Deserialize, Serialize};

use super::{Assigned, Cause};

/// Operations by cause, each counted and weighed by how sure the cause is. Shares add up: over days, regulators, feeders.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Shares {
    operations: [u64; Cause::COUNT],
    weight: [f64; Cause::COUNT],
    undone: u64,
}

impl Shares {
    /// Counts one record with all its operations.
    #[allow(clippy::cast_precision_loss, reason = "counts are small")]
    pub fn count(&mut self, assigned: &Assigned) {
        let n = assigned.operation.count;
        self.operations[assigned.cause.index()] += n;
        self.weight[assigned.cause.index()] += assigned.confidence * n as f64;
        if assigned.undone_after_s.is_some() {
            self.undone += n;
        }
    }

    /// Adds so many operations of one cause, the sum of their confidence, and how many of them were undone: sums read back from storage.
    pub const fn tally(&mut self, cause: Cause, operations: u64, weight: f64, undone: u64) {
        self.operations[cause.index()] += operations;
        self.weight[cause.index()] += weight;
        self.undone += undone;
    }

    /// Mean confidence of the operations with this cause, 0 to 1; none where there were none.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "counts are small")]
    pub fn confidence(&self, cause: Cause) -> Option<f64> {
        let n = self.operations(cause);
        (n > 0).then(|| self.weight(cause) / n as f64)
    }

    /// The cause that had most operations, the first of them when alike; none where there were none.
    #[must_use]
    pub fn main(&self) -> Option<Cause> {
        let most = Cause::ALL
            .iter()
            .copied()
            .reduce(|a, b| if self.operations(b) > self.operations(a) { b } else { a });
        most.filter(|cause| self.operations(*cause) > 0)
    }

    /// Operations with this cause.
    #[must_use]
    pub const fn operations(&self, cause: Cause) -> u64 {
        self.operations[cause.index()]
    }

    /// The same, each counted as its confidence (0 to 1).
    #[must_use]
    pub const fn weight(&self, cause: Cause) -> f64 {
        self.weight[cause.index()]
    }

    /// All operations.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.operations.iter().sum()
    }

    /// Operations undone within five minutes, whatever their cause.
    #[must_use]
    pub const fn undone(&self) -> u64 {
        self.undone
    }

    /// Part of all operations that had this cause, 0 to 1; none where there were none.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "counts are small")]
    pub fn share(&self, cause: Cause) -> Option<f64> {
        let total = self.total();
        (total > 0).then(|| self.operations(cause) as f64 / total as f64)
    }
}

impl AddAssign for Shares {
    fn add_assign(&mut self, other: Self) {
        for i in 0..Cause::COUNT {
            self.operations[i] += other.operations[i];
            self.weight[i] += other.weight[i];
        }
        self.undone += other.undone;
    }
}

impl Add for Shares {
    type Output = Self;

    fn add(mut self, other: Self) -> Self {
        self += other;
        self
    }
}

impl std::iter::Sum for Shares {
    fn sum<I: Iterator<Item = Self>>(shares: I) -> Self {
        shares.fold(Self::default(), Add::add)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_read_back_tell_shares_confidence_and_the_main_cause() {
        let mut shares = Shares::default();
        assert_eq!(
            (shares.main(), shares.confidence(Cause::Load), shares.share(Cause::Load)),
            (None, None, None)
        );
        shares.tally(Cause::Load, 3, 2.4, 1);
        shares.tally(Cause::Clouds, 9, 4.5, 2);
        assert_eq!((shares.total(), shares.undone(), shares.main()), (12, 3, Some(Cause::Clouds)));
        assert_eq!((shares.share(Cause::Load), shares.confidence(Cause::Clouds)), (Some(0.25), Some(0.5)));
        assert_eq!((shares + shares).share(Cause::Clouds), Some(0.75));
    }
}
