//! What is known of one regulator: the last value of each quantity, and as of when.

use chrono::TimeDelta;
use regulator::{Age, Quality, Quantity, Reading, TimeSource, Timestamp};

/// The last report of one quantity.
#[derive(Debug, Clone, Copy)]
struct Known {
    value: Option<f64>,
    quality: Quality,
    /// Since when it is so.
    since: Timestamp,
    /// As of when it is known to be so: no report came since, though one was asked for.
    as_of: Timestamp,
    /// Older than this it is stale.
    lasts: TimeDelta,
}

/// One regulator's quantities.
#[derive(Debug, Clone, Default)]
pub(super) struct Image {
    known: [Option<Known>; Quantity::COUNT],
}

impl Image {
    /// Takes a value that has been so since `since`; returns false, and changes nothing, if something later is known.
    pub(super) fn take(
        &mut self,
        quantity: Quantity,
        (value, quality): (Option<f64>, Quality),
        since: Timestamp,
        lasts: TimeDelta,
    ) -> bool {
        let slot = &mut self.known[quantity.index()];
        if slot.is_some_and(|known| known.since > since) {
            return false;
        }
        let as_of = slot.map_or(since, |known| known.as_of.max(since));
        *slot = Some(Known { value, quality, since, as_of, lasts });
        true
    }

    /// No report of this quantity came, though all reports were asked for: it is still so.
    pub(super) fn unchanged(&mut self, quantity: Quantity, as_of: Timestamp) {
        if let Some(known) = &mut self.known[quantity.index()] {
            known.as_of = known.as_of.max(as_of);
        }
    }

    /// Whether anything is known.
    pub(super) fn is_empty(&self) -> bool {
        self.known.iter().all(Option::is_none)
    }

    /// The regulator as it was at an instant, as far as that is known now. A quantity that has changed since is left out: what it
    /// was then is not known.
    pub(super) fn at(&self, instant: Timestamp, source: TimeSource) -> Reading {
        let mut reading = Reading::new(instant);
        reading.time_source = source;
        for &quantity in Quantity::ALL {
            let Some(known) = self.known[quantity.index()].filter(|known| known.since <= instant) else {
                continue;
            };
            let age = (instant - known.as_of.min(instant)).max(TimeDelta::zero());
            let quality = match known.quality {
                Quality::Good if age > known.lasts => Quality::Stale,
                other => other,
            };
            reading.set(quantity, known.value, quality);
            reading.set_age(quantity, Age::from_seconds(u64::try_from(age.num_seconds()).unwrap_or(0)));
        }
        reading
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: TimeDelta = TimeDelta::minutes(1);

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_timestamp(1_700_000_000 + seconds, 0).unwrap()
    }

    fn good(value: f64) -> (Option<f64>, Quality) {
        (Some(value), Quality::Good)
    }

    #[test]
    fn what_is_carried_carries_its_age_and_grows_stale() {
        let mut image = Image::default();
        image.take(Quantity::Tap, good(3.0), at(0), MINUTE);
        image.take(Quantity::LoadVoltage, good(121.0), at(30), MINUTE);
        let reading = image.at(at(30), TimeSource::Poller);
        assert_eq!(reading.good(Quantity::Tap), Some(3.0));
        assert_eq!(reading.age(Quantity::Tap).seconds(), 30);
        assert_eq!(reading.age(Quantity::LoadVoltage), Age::NONE);
        let reading = image.at(at(61), TimeSource::Poller);
        assert_eq!(
            (reading.quality(Quantity::Tap), reading.value(Quantity::Tap)),
            (Quality::Stale, Some(3.0))
        );
        image.unchanged(Quantity::Tap, at(60));
        assert_eq!(image.at(at(61), TimeSource::Poller).good(Quantity::Tap), Some(3.0));
    }

    #[test]
    fn the_past_holds_only_what_was_known_then() {
        let mut image = Image::default();
        image.take(Quantity::Tap, good(3.0), at(0), MINUTE);
        image.take(Quantity::LoadVoltage, good(121.0), at(30), MINUTE);
        assert!(!image.take(Quantity::LoadVoltage, good(119.0), at(20), MINUTE));
        let reading = image.at(at(20), TimeSource::Device);
        assert_eq!(reading.good(Quantity::Tap), Some(3.0));
        assert_eq!(reading.quality(Quantity::LoadVoltage), Quality::NotReported);
        assert_eq!(image.at(at(40), TimeSource::Device).good(Quantity::LoadVoltage), Some(121.0));
    }
}
