//! When a unit is due: a grid of instants that nothing shifts, however late a poll starts or ends.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::time::Duration;

use tokio::time::Instant;

/// The grid of one unit, and the next due time on it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Schedule {
    interval: Duration,
    /// A point of the grid, never later than the next due time.
    origin: Instant,
    next: Instant,
    missed: u32,
}

impl Schedule {
    /// Units of one endpoint share its interval evenly; endpoints are spread over it by a hash of their number.
    pub(super) fn spread(
        start: Instant,
        endpoint_id: i32,
        interval: Duration,
        index: usize,
        units: usize,
    ) -> Self {
        let mut hasher = DefaultHasher::new();
        endpoint_id.hash(&mut hasher);
        let nanos = u64::try_from(interval.as_nanos()).unwrap_or(u64::MAX).max(1);
        let phase = Duration::from_nanos(hasher.finish() % nanos);
        let share = u32::try_from(index).unwrap_or(0);
        let units = u32::try_from(units).unwrap_or(u32::MAX).max(1);
        let phase = phase + interval / units * share;
        let phase = if phase >= interval { phase - interval } else { phase };
        Self::new(start + phase, interval)
    }

    fn new(first: Instant, interval: Duration) -> Self {
        // the database allows no interval below 100 ms; a plan made by hand must not divide by zero
        Self { interval: interval.max(Duration::from_millis(1)), origin: first, next: first, missed: 0 }
    }

    pub(super) const fn next(&self) -> Instant {
        self.next
    }

    /// Begins a poll; how late it is. Due times that passed meanwhile are counted as missed.
    pub(super) fn begin(&mut self, now: Instant) -> Duration {
        let passed = ticks(now.saturating_duration_since(self.next), self.interval);
        self.missed = self.missed.saturating_add(passed);
        self.next += self.interval * passed;
        now.saturating_duration_since(self.next)
    }

    /// Ends a poll: the next is due at the first point of the grid that is still ahead. Points that passed during the poll
    /// are missed; they are not made up for.
    pub(super) fn finish(&mut self, now: Instant) {
        let following = self.at_or_after(self.next + Duration::from_nanos(1));
        let ahead = self.at_or_after(now);
        if ahead > following {
            self.missed = self.missed.saturating_add(ticks(ahead - following, self.interval));
        }
        self.next = following.max(ahead);
        self.origin = self.next;
    }

    /// Not due before this; then at the next point of the grid. Nothing counts as missed.
    pub(super) fn pause_until(&mut self, at: Instant) {
        if at > self.next {
            self.next = self.at_or_after(at);
        }
    }

    /// Due exactly at this instant, if it is later than planned.
    pub(super) fn defer_to(&mut self, at: Instant) {
        self.next = self.next.max(at);
    }

    /// Missed due times since the last call.
    pub(super) const fn take_missed(&mut self) -> u32 {
        let missed = self.missed;
        self.missed = 0;
        missed
    }

    /// The first point of the grid at or after an instant.
    fn at_or_after(&self, at: Instant) -> Instant {
        let since = at.saturating_duration_since(self.origin);
        let whole = self.origin + self.interval * ticks(since, self.interval);
        if whole < at { whole + self.interval } else { whole }
    }
}

/// Whole intervals in a duration.
fn ticks(duration: Duration, interval: Duration) -> u32 {
    u32::try_from(duration.as_nanos() / interval.as_nanos()).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    const INTERVAL: Duration = Duration::from_secs(10);

    fn s(seconds: f64) -> Duration {
        Duration::from_secs_f64(seconds)
    }

    #[test]
    fn a_late_poll_does_not_shift_the_next() {
        let start = Instant::now();
        let mut schedule = Schedule::new(start, INTERVAL);
        assert_eq!(schedule.begin(start + s(0.3)), s(0.3));
        schedule.finish(start + s(0.4));
        assert_eq!(schedule.next(), start + s(10.0));
        assert_eq!(schedule.take_missed(), 0);
    }

    #[test]
    fn polls_that_passed_are_counted_and_not_made_up_for() {
        let start = Instant::now();
        let mut schedule = Schedule::new(start, INTERVAL);
        // a poll of 25 s runs over two due times
        let _ = schedule.begin(start);
        schedule.finish(start + s(25.0));
        assert_eq!(schedule.next(), start + s(30.0));
        assert_eq!(schedule.take_missed(), 2);
        // a stall of 42 s before a poll could start
        assert_eq!(schedule.begin(start + s(72.0)), s(2.0));
        schedule.finish(start + s(72.5));
        assert_eq!(schedule.next(), start + s(80.0));
        assert_eq!(schedule.take_missed(), 4);
    }

    #[test]
    fn a_pause_ends_on_the_grid_and_misses_nothing() {
        let start = Instant::now();
        let mut schedule = Schedule::new(start, INTERVAL);
        let _ = schedule.begin(start);
        schedule.finish(start + s(1.0));
        schedule.pause_until(start + s(33.0));
        assert_eq!(schedule.next(), start + s(40.0));
        schedule.pause_until(start + s(20.0));
        assert_eq!(schedule.next(), start + s(40.0));
        assert_eq!(schedule.take_missed(), 0);
    }

    #[test]
    fn endpoints_and_units_are_spread_over_the_interval() {
        let start = Instant::now();
        let mut tenths = [0u32; 10];
        for endpoint in 0..2000 {
            let first = Schedule::spread(start, endpoint, INTERVAL, 0, 1).next();
            tenths[usize::try_from((first - start).as_secs()).unwrap()] += 1;
        }
        assert!(tenths.iter().all(|n| (140..260).contains(n)), "{tenths:?}");
        let units: Vec<_> = (0..4).map(|i| Schedule::spread(start, 7, INTERVAL, i, 4).next()).collect();
        for (i, a) in units.iter().enumerate() {
            for b in &units[i + 1..] {
                let apart = a.max(b).duration_since(*a.min(b));
                assert!(apart >= s(2.4) && apart <= s(7.6), "{apart:?}");
            }
        }
    }
}
