//! How values are spread, in few numbers.

/// Counts of values up to each of some bounds.
#[derive(Debug, Clone, PartialEq)]
pub struct Histogram {
    bounds: &'static [f64],
    counts: Vec<u64>,
    sum: f64,
}

impl Histogram {
    /// Empty, with these upper bounds, which must rise.
    #[must_use]
    pub fn new(bounds: &'static [f64]) -> Self {
        Self { bounds, counts: vec![0; bounds.len() + 1], sum: 0.0 }
    }

    /// Counts a value.
    pub fn observe(&mut self, value: f64) {
        let index = self.bounds.partition_point(|bound| *bound < value);
        self.counts[index] += 1;
        self.sum += value;
    }

    /// The sum of all values.
    #[must_use]
    pub const fn sum(&self) -> f64 {
        self.sum
    }

    /// Each bound, the last infinite, with how many values were at most that.
    pub fn cumulative(&self) -> impl Iterator<Item = (f64, u64)> {
        let bounds = self.bounds.iter().copied().chain([f64::INFINITY]);
        bounds.zip(self.counts.iter().scan(0, |sum, n| {
            *sum += n;
            Some(*sum)
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_on_a_bound_counts_below_it() {
        let mut histogram = Histogram::new(&[1.0, 2.0]);
        for value in [0.5, 1.0, 1.5, 7.0] {
            histogram.observe(value);
        }
        assert_eq!(histogram.cumulative().collect::<Vec<_>>(), [(1.0, 2), (2.0, 3), (f64::INFINITY, 4)]);
        assert_eq!(histogram.sum(), 10.0);
    }
}
