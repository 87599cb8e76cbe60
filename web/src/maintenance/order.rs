//! The columns of the ranking and how an address sorts and narrows it.

use std::cmp::Ordering;

use super::Row;

/// What the ranking can be sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Column {
    /// Its place and name.
    Unit,
    /// Life used of the worst part.
    #[default]
    Life,
    /// When that reaches its end.
    End,
    /// Operations in thirty days.
    Operations,
    /// Operations a day.
    PerDay,
    /// The counter.
    Counter,
    /// Days on one tap.
    Tap,
    /// Days on one side of neutral.
    Side,
    /// Exercise due.
    Due,
    /// Suspects.
    Suspects,
    /// The share of the main cause.
    Cause,
}

impl Column {
    /// Every column, in order.
    pub const ALL: &'static [Self] = &[
        Self::Unit,
        Self::Life,
        Self::End,
        Self::Operations,
        Self::PerDay,
        Self::Counter,
        Self::Tap,
        Self::Side,
        Self::Due,
        Self::Suspects,
        Self::Cause,
    ];

    /// What addresses carry.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Unit => "unit",
            Self::Life => "life",
            Self::End => "end",
            Self::Operations => "operations",
            Self::PerDay => "per_day",
            Self::Counter => "counter",
            Self::Tap => "tap",
            Self::Side => "side",
            Self::Due => "due",
            Self::Suspects => "suspects",
            Self::Cause => "cause",
        }
    }

    /// The head of the column.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Unit => "Regulator",
            Self::Life => "Life used, worst part",
            Self::End => "End expected",
            Self::Operations => "Operations, 30 d",
            Self::PerDay => "A day",
            Self::Counter => "Counter",
            Self::Tap => "On tap, d",
            Self::Side => "On side, d",
            Self::Due => "Exercise due",
            Self::Suspects => "Suspects",
            Self::Cause => "Main cause, 30 d",
        }
    }

    /// Whether it holds numbers.
    #[must_use]
    pub const fn is_figure(self) -> bool {
        matches!(
            self,
            Self::Life | Self::End | Self::Operations | Self::PerDay | Self::Counter | Self::Tap | Self::Side
        )
    }

    /// The column of this key.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|column| column.key() == key)
    }

    /// Names and ends begin with the first, everything else with the most.
    const fn rises(self) -> bool {
        matches!(self, Self::Unit | Self::End)
    }

    /// The value sorted by; none where it cannot be told.
    #[allow(clippy::cast_precision_loss, reason = "counts, for order only")]
    fn value(self, row: &Row) -> Option<f64> {
        match self {
            Self::Unit => None,
            Self::Life => row.life.likely(),
            Self::End => row.end_order(),
            Self::Operations => row.operations.map(|n| n as f64),
            Self::PerDay => row.per_day,
            Self::Counter => row.counter.map(|n| n as f64),
            Self::Tap => row.dwell.as_ref().and_then(crate::dwell::Dwell::tap_days),
            Self::Side => row.dwell.as_ref().and_then(crate::dwell::Dwell::side_days),
            Self::Due => row.due_days(),
            Self::Suspects => Some(row.suspects.len() as f64).filter(|n| *n > 0.0),
            Self::Cause => row.main.map(|(_, share)| share),
        }
    }
}

/// What the reader asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Asked {
    /// Sorted by.
    pub sort: Column,
    /// The other way round than usual.
    pub reverse: bool,
    /// Only this substation.
    pub substation: Option<i32>,
    /// Only this feeder.
    pub feeder: Option<i32>,
    /// Every row, not only the first.
    pub all: bool,
}

impl Asked {
    /// Whether the least stands first.
    #[must_use]
    pub const fn ascending(&self) -> bool {
        self.sort.rises() != self.reverse
    }

    /// Sorts rows; what cannot be told stands last either way, equal ones by name.
    pub fn sort(&self, rows: &mut [Row]) {
        let name = |a: &Row, b: &Row| a.order.cmp(&b.order);
        rows.sort_by(|a, b| {
            let order = match self.sort {
                Column::Unit => name(a, b),
                column => match (column.value(a), column.value(b)) {
                    (Some(x), Some(y)) => x.total_cmp(&y),
                    (Some(_), None) => return Ordering::Less,
                    (None, Some(_)) => return Ordering::Greater,
                    (None, None) => return name(a, b),
                },
            };
            let order = if self.ascending() { order } else { order.reverse() };
            order.then_with(|| name(a, b))
        });
    }

    /// The query of an address.
    #[must_use]
    pub fn query(&self) -> String {
        let pairs = [
            ("sort", (self.sort != Column::default()).then(|| self.sort.key().to_owned())),
            ("reverse", self.reverse.then(|| "1".to_owned())),
            ("substation", self.substation.map(|id| id.to_string())),
            ("feeder", self.feeder.map(|id| id.to_string())),
            ("all", self.all.then(|| "1".to_owned())),
        ];
        let given: Vec<_> =
            pairs.into_iter().filter_map(|(name, value)| Some(format!("{name}={}", value?))).collect();
        if given.is_empty() { String::new() } else { format!("?{}", given.join("&")) }
    }

    /// The address sorted by a column; the other way round when it is sorted by it already.
    #[must_use]
    pub fn by(&self, column: &Column) -> String {
        let reverse = self.sort == *column && !self.reverse;
        format!("/maintenance{}", Self { sort: *column, reverse, ..self.clone() }.query())
    }

    /// The address of every row.
    #[must_use]
    pub fn everything(&self) -> String {
        format!("/maintenance{}", Self { all: true, ..self.clone() }.query())
    }

    /// For readers who do not see the arrow.
    #[must_use]
    pub fn direction(&self, column: &Column) -> Option<&'static str> {
        (self.sort == *column).then(|| if self.ascending() { "ascending" } else { "descending" })
    }
}
