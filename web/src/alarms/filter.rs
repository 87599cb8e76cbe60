//! Which alarms the list shows, as the address says it.

use chrono::NaiveDate;
use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};

use crate::board::encoded;

/// Alarms in which states.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Show {
    /// Those whose condition is true, and that nothing keeps from people.
    #[default]
    Open,
    /// Those of them that nobody has acknowledged.
    Unacknowledged,
    /// Those of them that someone has.
    Acknowledged,
    /// True no longer, and not acknowledged.
    ReturnedUnacknowledged,
    /// Put aside by a person.
    Shelved,
    /// Kept back by a rule or a maintenance window.
    Suppressed,
    /// Taken out by a person.
    OutOfService,
    /// True no longer.
    Past,
    /// Every one.
    All,
}

impl Show {
    /// Every choice, in the order shown.
    pub const ALL: &'static [Self] = &[
        Self::Open,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
        Self::Past,
        Self::All,
    ];

    /// What the address carries.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out_of_service",
            Self::Past => "past",
            Self::All => "all",
        }
    }

    /// What people read.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Open => "Open",
            Self::Unacknowledged => "Open, unacknowledged",
            Self::Acknowledged => "Open, acknowledged",
            Self::ReturnedUnacknowledged => "Returned, unacknowledged",
            Self::Shelved => "Shelved",
            Self::Suppressed => "Suppressed by design",
            Self::OutOfService => "Out of service",
            Self::Past => "Past",
            Self::All => "Open and past",
        }
    }

    /// The choice of this key.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        // "normal" stood for past ones that someone had acknowledged; addresses that were kept still lead somewhere.
        let key = if key == "normal" { "past" } else { key };
        Self::ALL.iter().copied().find(|show| show.key() == key)
    }

    /// Whether it is of how things stand now, in order of urgency; else it is of what was, newest first.
    #[must_use]
    pub const fn is_standing(self) -> bool {
        !matches!(self, Self::Past | Self::All)
    }

    /// Whether something keeps these from people.
    #[must_use]
    pub const fn is_held(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }
}

/// The last alarm of a page, from where the next goes on. Nothing shifts when alarms are raised meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Position {
    /// Whether it was acknowledged.
    pub acknowledged: bool,
    /// Its priority.
    pub level: i16,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// Its number.
    pub id: i64,
}

impl Position {
    /// As the address carries it.
    #[must_use]
    pub fn text(self) -> String {
        format!(
            "{}.{}.{}.{}",
            u8::from(self.acknowledged),
            self.level,
            self.raised_at.timestamp_micros(),
            self.id
        )
    }

    /// Read from an address.
    #[must_use]
    pub fn from_text(text: &str) -> Option<Self> {
        let mut parts = text.split('.');
        let position = Self {
            acknowledged: parts.next()? == "1",
            level: parts.next()?.parse().ok()?,
            raised_at: Timestamp::from_timestamp_micros(parts.next()?.parse().ok()?)?,
            id: parts.next()?.parse().ok()?,
        };
        parts.next().is_none().then_some(position)
    }
}

/// What the reader asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// In which states.
    pub show: Show,
    /// Only of this condition.
    pub condition: Option<Condition>,
    /// Only of this priority.
    pub priority: Option<Priority>,
    /// Only where the place contains this.
    pub place: String,
    /// Only at this site.
    pub site: Option<i32>,
    /// Only of this substation.
    pub substation: Option<i32>,
    /// Raised on this day (UTC) or later.
    pub from: Option<NaiveDate>,
    /// Raised on this day (UTC) or earlier.
    pub to: Option<NaiveDate>,
    /// After this one.
    pub after: Option<Position>,
}

impl Filter {
    /// The address of the list with this filter.
    #[must_use]
    pub fn href(&self) -> String {
        let day = |day: Option<NaiveDate>| day.map(|d| d.to_string());
        let pairs = [
            ("state", (self.show != Show::default()).then(|| self.show.key().to_owned())),
            ("condition", self.condition.map(|c| c.name().to_owned())),
            ("priority", self.priority.map(|p| p.title().to_owned())),
            ("place", (!self.place.is_empty()).then(|| encoded(&self.place))),
            ("site", self.site.map(|id| id.to_string())),
            ("substation", self.substation.map(|id| id.to_string())),
            ("from", day(self.from)),
            ("to", day(self.to)),
            ("after", self.after.map(Position::text)),
        ];
        let query: Vec<_> =
            pairs.into_iter().filter_map(|(name, value)| Some(format!("{name}={}", value?))).collect();
        if query.is_empty() { "/alarms".to_owned() } else { format!("/alarms?{}", query.join("&")) }
    }

    /// The same in other states, from the first page.
    #[must_use]
    pub fn showing(&self, key: &str) -> String {
        Self { show: Show::from_key(key).unwrap_or_default(), after: None, ..self.clone() }.href()
    }

    /// Whether it leaves anything out besides by state.
    #[must_use]
    pub fn narrows(&self) -> bool {
        *self != Self { show: self.show, after: self.after, ..Self::default() }
    }

    /// A day for a form's field.
    #[must_use]
    pub fn day(day: &Option<NaiveDate>) -> String {
        day.map(|d| d.to_string()).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_survives_the_address() {
        let position = Position {
            acknowledged: true,
            level: 3,
            raised_at: Timestamp::from_timestamp_micros(1_700_000_000_123_456).unwrap(),
            id: 100_001,
        };
        assert_eq!(Position::from_text(&position.text()), Some(position));
        for bad in ["", "1.2.3", "1.2.3.4.5", "1.x.3.4", "0.1.99999999999999999999.4"] {
            assert_eq!(Position::from_text(bad), None, "{bad}");
        }
    }

    #[test]
    fn every_view_has_its_own_address() {
        assert_eq!(Filter::default().href(), "/alarms");
        let filter = Filter {
            show: Show::Past,
            condition: Some(Condition::ReversePower),
            priority: Some(Priority::High),
            place: "Mill & Lane".into(),
            from: NaiveDate::from_ymd_opt(2026, 8, 1),
            ..Filter::default()
        };
        assert_eq!(
            filter.href(),
            "/alarms?state=past&condition=reverse_power&priority=high&place=Mill%20%26%20Lane&from=2026-08-01"
        );
    }

    #[test]
    fn every_choice_has_a_key_that_leads_back() {
        for show in Show::ALL {
            assert_eq!(Show::from_key(show.key()), Some(*show));
        }
        assert_eq!(Show::from_key("normal"), Some(Show::Past));
        assert!(Show::ALL.iter().filter(|s| s.is_held()).all(|s| s.is_standing()));
    }
}
