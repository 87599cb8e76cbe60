//! When something happened: by the device's clock if that can be believed, else when word of it arrived.

use chrono::TimeDelta;
use dnp3::objects::Time;
use regulator::{TimeSource, Timestamp};

/// A device's clock this far off is not believed.
const BELIEVED_OFFSET_MS: u64 = 2_000;
/// An event may be this far ahead of our clock, for small differences between the two.
const AHEAD: TimeDelta = TimeDelta::milliseconds(2_000);

/// How far one device's clock can be believed.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Trust {
    /// The device asks for the time.
    pub(super) needs_time: bool,
    /// It is ahead of ours by so many milliseconds, as last measured.
    pub(super) offset_ms: Option<i64>,
}

impl Trust {
    /// The instant of an event that arrived at `arrival`; none if only the arrival is known.
    ///
    /// A time ahead of ours by less than the clocks may differ is taken as the arrival, so that no reading lies in the future.
    pub(super) fn instant(self, time: Option<Time>, arrival: Timestamp) -> Option<Timestamp> {
        let time = time?;
        let synchronised = time.synchronised.unwrap_or(!self.needs_time);
        let close = self.offset_ms.is_none_or(|offset| offset.unsigned_abs() <= BELIEVED_OFFSET_MS);
        let at = Timestamp::from_timestamp_millis(i64::try_from(time.at.millis()).ok()?)?;
        (synchronised && close && at <= arrival + AHEAD).then_some(at.min(arrival))
    }
}

/// The instants of the reports of one fragment, so that no two reports of one quantity share one.
#[derive(Debug)]
pub(super) struct Instants {
    arrival: Timestamp,
}

/// One change with its place in time.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed<T> {
    pub(super) at: Timestamp,
    pub(super) source: TimeSource,
    pub(super) change: T,
}

impl Instants {
    pub(super) const fn new(arrival: Timestamp) -> Self {
        Self { arrival }
    }

    /// Places changes, in the order in which they were reported. Those whose own time is known keep it, a second one of the
    /// same quantity in the same millisecond comes a millisecond later; the others are put just before the arrival, a
    /// millisecond apart where a quantity changed more than once. The result is in order of time.
    pub(super) fn place<T, K: PartialEq>(
        &self,
        changes: impl IntoIterator<Item = (Option<Timestamp>, T)>,
        key: impl Fn(&T) -> K,
    ) -> Vec<Placed<T>> {
        let mut placed: Vec<Placed<T>> = vec![];
        let mut untimed: Vec<Vec<T>> = vec![];
        for (at, change) in changes {
            let Some(mut at) = at else {
                let repeated = |group: &Vec<T>| group.iter().any(|other| key(other) == key(&change));
                match untimed.last_mut().filter(|group| !repeated(group)) {
                    Some(group) => group.push(change),
                    None => untimed.push(vec![change]),
                }
                continue;
            };
            while placed.iter().any(|p| p.at == at && key(&p.change) == key(&change)) {
                at += TimeDelta::milliseconds(1);
            }
            placed.push(Placed { at, source: TimeSource::Device, change });
        }
        let groups = i64::try_from(untimed.len()).unwrap_or(i64::MAX);
        for (i, group) in (1..).zip(untimed) {
            let at = self.arrival - TimeDelta::milliseconds(groups - i);
            placed.extend(group.into_iter().map(|change| Placed { at, source: TimeSource::Arrival, change }));
        }
        placed.sort_by_key(|p| p.at);
        placed
    }
}

#[cfg(test)]
mod tests {
    use dnp3::objects::Timestamp as Wire;

    use super::*;

    fn at(ms: i64) -> Timestamp {
        Timestamp::from_timestamp_millis(1_700_000_000_000 + ms).unwrap()
    }

    fn time(ms: u64, synchronised: Option<bool>) -> Option<Time> {
        Some(Time { at: Wire::from_millis(1_700_000_000_000 + ms), synchronised })
    }

    #[test]
    fn a_clock_is_believed_when_it_is_synchronised_and_close() {
        let trust = |needs_time, offset_ms| Trust { needs_time, offset_ms };
        let now = at(60_000);
        assert_eq!(trust(false, None).instant(time(0, None), now), Some(at(0)));
        assert_eq!(trust(false, Some(-2_000)).instant(time(0, None), now), Some(at(0)));
        assert_eq!(trust(false, Some(2_001)).instant(time(0, None), now), None);
        assert_eq!(trust(true, None).instant(time(0, None), now), None);
        assert_eq!(trust(false, None).instant(None, now), None);
        // what the object itself says comes first
        assert_eq!(trust(true, None).instant(time(0, Some(true)), now), Some(at(0)));
        assert_eq!(trust(false, None).instant(time(0, Some(false)), now), None);
    }

    #[test]
    fn nothing_happens_in_the_future() {
        let now = at(0);
        assert_eq!(Trust::default().instant(time(1_500, None), now), Some(now));
        assert_eq!(Trust::default().instant(time(2_001, None), now), None);
    }

    #[test]
    fn no_two_reports_of_one_quantity_share_an_instant() {
        let changes = [
            (Some(at(5)), ("tap", 1)),
            (Some(at(5)), ("volts", 2)),
            (Some(at(5)), ("tap", 3)),
            (None, ("tap", 4)),
            (None, ("volts", 5)),
            (None, ("tap", 6)),
            (Some(at(1)), ("tap", 0)),
        ];
        let placed = Instants::new(at(100)).place(changes, |(name, _)| *name);
        let shown: Vec<_> = placed.iter().map(|p| ((p.at - at(0)).num_milliseconds(), p.change.1)).collect();
        assert_eq!(shown, [(1, 0), (5, 1), (5, 2), (6, 3), (99, 4), (99, 5), (100, 6)]);
        assert_eq!(placed[0].source, TimeSource::Device);
        assert_eq!(placed[4].source, TimeSource::Arrival);
    }
}
