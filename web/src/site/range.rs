//! Which stretch of time the trends show.

use chrono::TimeDelta;
use regulator::Timestamp;

use super::instant;

/// A length of time that ends now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// The name in addresses and on buttons.
    pub name: &'static str,
    /// What it stands for, in words.
    pub words: &'static str,
    seconds: i64,
}

const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

impl Span {
    /// Those on offer, shortest first.
    pub const ALL: &'static [Self] = &[
        Self { name: "1h", words: "1 hour", seconds: HOUR },
        Self { name: "6h", words: "6 hours", seconds: 6 * HOUR },
        Self { name: "24h", words: "24 hours", seconds: DAY },
        Self { name: "7d", words: "7 days", seconds: 7 * DAY },
        Self { name: "30d", words: "30 days", seconds: 30 * DAY },
        Self { name: "90d", words: "90 days", seconds: 90 * DAY },
        Self { name: "1y", words: "1 year", seconds: 365 * DAY },
    ];

    /// A day.
    #[must_use]
    pub const fn usual() -> Self {
        Self::ALL[2]
    }

    /// The span of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|s| s.name == name)
    }

    /// Its length.
    #[must_use]
    pub const fn length(self) -> TimeDelta {
        TimeDelta::seconds(self.seconds)
    }
}

/// From one instant up to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Range {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// The span that it is, when it ends now and moves on with time.
    pub span: Option<Span>,
}

impl Range {
    /// A span that ends at `now`.
    #[must_use]
    pub fn ending(span: Span, now: Timestamp) -> Self {
        Self { from: now - span.length(), to: now, span: Some(span) }
    }

    /// Its length.
    #[must_use]
    pub fn length(&self) -> TimeDelta {
        self.to - self.from
    }

    /// The query of an address that leads to it.
    #[must_use]
    pub fn query(&self) -> String {
        match self.span {
            Some(span) => format!("span={}", span.name),
            None => self.fixed(),
        }
    }

    /// The query of an address that leads to exactly these instants.
    #[must_use]
    pub fn fixed(&self) -> String {
        format!("from={}&to={}", instant(&self.from), instant(&self.to))
    }

    /// The stretch before it, for readers without script.
    #[must_use]
    pub fn earlier(&self) -> String {
        Self { from: self.from - self.length(), to: self.from, span: None }.fixed()
    }

    /// The stretch after it.
    #[must_use]
    pub fn later(&self) -> String {
        Self { from: self.to, to: self.to + self.length(), span: None }.fixed()
    }

    /// Whether it is this span.
    #[must_use]
    pub fn is(&self, span: &Span) -> bool {
        self.span == Some(*span)
    }
}
