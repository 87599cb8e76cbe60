//! The state of one regulator at one instant.

use serde::{Deserialize, Serialize};

use crate::{Age, Quality, Quantity, Timestamp};

/// Whose clock a reading's time is by. The numbers are a contract: they are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum TimeSource {
    /// The poller's, when it asked.
    #[default]
    Poller = 0,
    /// The device's, when the change happened there.
    Device = 1,
    /// The poller's, when word of a change arrived: the device's clock is not synchronised, or told nothing.
    Arrival = 2,
}

impl TimeSource {
    /// The stored form: nothing for the usual case, so that it takes no room.
    #[must_use]
    pub const fn stored(self) -> Option<i16> {
        match self {
            Self::Poller => None,
            other => Some(other as i16),
        }
    }

    /// The source so stored; an unknown one reads as the least that can be said, [`TimeSource::Arrival`].
    #[must_use]
    pub const fn from_stored(code: Option<i16>) -> Self {
        match code {
            None | Some(0) => Self::Poller,
            Some(1) => Self::Device,
            Some(_) => Self::Arrival,
        }
    }

    /// A few words for people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Poller => "time of the poll",
            Self::Device => "device time",
            Self::Arrival => "time of arrival",
        }
    }
}

/// All quantities of one regulator at one instant, each with its quality.
///
/// A value may be present without being good (a tap beyond its limits is kept); [`Reading::good`] is what rules use.
#[derive(Debug, Clone)]
pub struct Reading {
    /// When it was measured.
    pub measured_at: Timestamp,
    /// By whose clock.
    pub time_source: TimeSource,
    values: [f64; Quantity::COUNT],
    quality: [Quality; Quantity::COUNT],
    ages: [Age; Quantity::COUNT],
}

/// Two readings that miss the same value are equal in it.
impl PartialEq for Reading {
    fn eq(&self, other: &Self) -> bool {
        self.measured_at == other.measured_at
            && self.time_source == other.time_source
            && self.quality == other.quality
            && self.ages == other.ages
            && Quantity::ALL.iter().all(|&q| self.value(q) == other.value(q))
    }
}

impl Reading {
    /// A reading that reports nothing yet.
    #[must_use]
    pub const fn new(measured_at: Timestamp) -> Self {
        Self {
            measured_at,
            time_source: TimeSource::Poller,
            values: [f64::NAN; Quantity::COUNT],
            quality: [Quality::NotReported; Quantity::COUNT],
            ages: [Age::NONE; Quantity::COUNT],
        }
    }

    /// Sets one quantity. Yes is 1, no is 0; a value that is not finite is stored as missing.
    pub fn set(&mut self, quantity: Quantity, value: Option<f64>, quality: Quality) {
        self.values[quantity.index()] = value.filter(|v| v.is_finite()).unwrap_or(f64::NAN);
        self.quality[quantity.index()] = quality;
        self.ages[quantity.index()] = Age::NONE;
    }

    /// Says how old a quantity is that was carried from an earlier reading. Setting its value makes it new again.
    pub const fn set_age(&mut self, quantity: Quantity, age: Age) {
        self.ages[quantity.index()] = age;
    }

    /// How old a quantity was when this reading was taken; none if it was measured with it.
    #[must_use]
    pub const fn age(&self, quantity: Quantity) -> Age {
        self.ages[quantity.index()]
    }

    /// The same, for building readings in one expression: a good value.
    #[must_use]
    pub fn with(mut self, quantity: Quantity, value: f64) -> Self {
        self.set(quantity, Some(value), Quality::Good);
        self
    }

    /// The value if its quality is good, else nothing.
    #[must_use]
    pub fn good(&self, quantity: Quantity) -> Option<f64> {
        match self.quality(quantity) {
            Quality::Good => self.value(quantity),
            _ => None,
        }
    }

    /// A good yes/no.
    #[must_use]
    pub fn flag(&self, quantity: Quantity) -> Option<bool> {
        self.good(quantity).map(|v| v != 0.0)
    }

    /// The value as reported, usable or not.
    #[must_use]
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        let value = self.values[quantity.index()];
        (!value.is_nan()).then_some(value)
    }

    /// The quality of one quantity.
    #[must_use]
    pub const fn quality(&self, quantity: Quantity) -> Quality {
        self.quality[quantity.index()]
    }

    /// The stored form of all qualities: one byte a quantity, trailing [`Quality::NotReported`] cut.
    #[must_use]
    pub fn quality_bytes(&self) -> Vec<u8> {
        let last = self.quality.iter().rposition(|q| *q != Quality::NotReported).map_or(0, |i| i + 1);
        self.quality[..last].iter().map(|q| q.code()).collect()
    }

    /// The stored form of all ages: one byte a quantity, trailing [`Age::NONE`] cut; nothing when no quantity was carried.
    #[must_use]
    pub fn age_bytes(&self) -> Option<Vec<u8>> {
        let last = self.ages.iter().rposition(|age| *age != Age::NONE)?;
        Some(self.ages[..=last].iter().map(|age| age.code()).collect())
    }

    /// Takes ages from their stored form.
    pub fn set_age_bytes(&mut self, bytes: &[u8]) {
        for (age, code) in self.ages.iter_mut().zip(bytes) {
            *age = Age::from_code(*code);
        }
    }

    /// Whether both are events by the device's clock that report different values of one quantity: two changes within its
    /// clock's resolution, which must not be joined into one.
    #[must_use]
    pub fn contradicts(&self, other: &Self) -> bool {
        let reports = |reading: &Self, q| reading.age(q) == Age::NONE && reading.value(q).is_some();
        [self, other].iter().all(|reading| reading.time_source == TimeSource::Device)
            && Quantity::ALL
                .iter()
                .any(|&q| reports(self, q) && reports(other, q) && self.value(q) != other.value(q))
    }

    /// Joins another reading of the same instant into this one. Where both report a quantity, a good value wins over one
    /// that is not, one measured now over one carried, and otherwise the newcomer's.
    pub fn merge(&mut self, other: &Self) {
        // what happened at this instant by the device's word stays an event, whoever else looked at the same millisecond
        let own_event = self.time_source == TimeSource::Device && other.time_source != TimeSource::Device;
        if other.time_source == TimeSource::Device {
            self.time_source = TimeSource::Device;
        }
        for &q in Quantity::ALL {
            let theirs = other.quality(q);
            if theirs == Quality::NotReported || (self.quality(q) == Quality::Good && theirs != Quality::Good)
            {
                continue;
            }
            if own_event && self.quality(q) == Quality::Good {
                continue;
            }
            // what was measured at this instant is not given up for what was carried to it
            if theirs == self.quality(q) && other.age(q) > self.age(q) {
                continue;
            }
            self.set(q, other.value(q), theirs);
            self.set_age(q, other.age(q));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn merging_keeps_both_parts_and_never_trades_good_for_bad() {
        let at = Timestamp::UNIX_EPOCH;
        let mut a = Reading::new(at).with(Quantity::LoadVoltage, 121.0).with(Quantity::Tap, 3.0);
        let mut b = Reading::new(at).with(Quantity::Current, 80.0);
        b.set(Quantity::Tap, None, Quality::NotAvailable);
        a.merge(&b);
        assert_eq!(a.good(Quantity::LoadVoltage), Some(121.0));
        assert_eq!(a.good(Quantity::Current), Some(80.0));
        assert_eq!(a.good(Quantity::Tap), Some(3.0));
        assert_eq!(a.quality(Quantity::SourceVoltage), Quality::NotReported);
    }

    #[test]
    fn what_was_measured_wins_over_what_was_carried() {
        let at = Timestamp::UNIX_EPOCH;
        let measured = Reading::new(at).with(Quantity::Tap, 3.0);
        let mut carried = Reading::new(at).with(Quantity::Tap, 2.0).with(Quantity::Current, 80.0);
        carried.set_age(Quantity::Tap, Age::from_seconds(9));
        carried.set_age(Quantity::Current, Age::from_seconds(9));
        for (mut first, second) in [(measured.clone(), carried.clone()), (carried, measured)] {
            first.merge(&second);
            assert_eq!((first.good(Quantity::Tap), first.age(Quantity::Tap)), (Some(3.0), Age::NONE));
            assert_eq!(first.age(Quantity::Current).seconds(), 9);
        }
    }

    #[test]
    fn an_event_in_the_millisecond_of_a_poll_stays_an_event() {
        let at = Timestamp::UNIX_EPOCH;
        let polled = Reading::new(at).with(Quantity::Operations, 317.0);
        let mut event = Reading::new(at).with(Quantity::Operations, 318.0);
        event.time_source = TimeSource::Device;
        let mut both = polled;
        both.merge(&event);
        assert_eq!((both.good(Quantity::Operations), both.time_source), (Some(318.0), TimeSource::Device));
        let later = Reading::new(at).with(Quantity::Operations, 319.0).with(Quantity::Tap, 1.0);
        both.merge(&later);
        assert_eq!((both.good(Quantity::Operations), both.good(Quantity::Tap)), (Some(318.0), Some(1.0)));
    }

    #[test]
    fn two_changes_of_one_quantity_contradict_and_what_is_carried_does_not() {
        let event = |value| {
            let mut event = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::Operations, value);
            event.time_source = TimeSource::Device;
            event
        };
        assert!(event(318.0).contradicts(&event(319.0)));
        assert!(!event(318.0).contradicts(&event(318.0)));
        let mut carried = event(317.0).with(Quantity::Tap, 2.0);
        carried.set_age(Quantity::Operations, Age::from_seconds(5));
        assert!(!event(318.0).contradicts(&carried));
        let polled = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::Operations, 319.0);
        assert!(!event(318.0).contradicts(&polled));
    }

    #[test]
    fn stored_ages_come_back() {
        let mut r = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::Current, 1.0).with(Quantity::Tap, 2.0);
        assert_eq!(r.age_bytes(), None);
        r.set_age(Quantity::Current, Age::from_seconds(70));
        assert_eq!(r.age_bytes(), Some(vec![0, 0, 60]));
        let mut back = r.clone();
        back.set_age(Quantity::Current, Age::NONE);
        back.set_age_bytes(&r.age_bytes().unwrap());
        assert_eq!(back, r);
    }

    #[test]
    fn stored_quality_ends_with_the_last_reported_quantity() {
        let r = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::Current, 1.0);
        assert_eq!(r.quality_bytes(), [0, 0, 1]);
    }
}
