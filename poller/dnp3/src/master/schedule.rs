//! What is to be asked of one outstation, and when.
//!
//! At the start, after each new connection and after each restart of the device: unsolicited responses off, everything read, unsolicited
//! responses on where they are wanted. Then events by their periods and everything by its own, from a fixed grid that nothing shifts.

use std::time::Duration;

use super::{AssociationConfig, Classes, Pace, TimeSync};

/// Something to be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Task {
    /// Clear the restart indication.
    ClearRestart,
    /// Forbid unsolicited responses.
    DisableUnsolicited,
    /// Read all events and all present values.
    Integrity,
    /// Allow unsolicited responses.
    EnableUnsolicited,
    /// Set the clock.
    SyncTime,
    /// Read events, by the poll of this number.
    Events(usize),
    /// Read present values alone, while events cannot be stored.
    Static,
    /// Compare the clocks.
    Clock,
    /// Ask who made it.
    Attributes,
}

impl Task {
    /// Whether it brings readings, as a poll does.
    #[must_use]
    pub const fn is_poll(self) -> bool {
        matches!(self, Self::Integrity | Self::Events(_) | Self::Static)
    }
}

/// When a task is to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Due {
    pub(super) task: Task,
    pub(super) at: Duration,
}

/// A device that keeps asking for the same is obliged at most so often.
const AT_MOST_EVERY: Duration = Duration::from_secs(10);

#[derive(Debug)]
pub(super) struct Schedule {
    /// One-off tasks, each due at once.
    once: Vec<Task>,
    /// Periodic ones.
    integrity: Option<Grid>,
    events: Vec<Grid>,
    clock: Option<Grid>,
    cleared_at: Option<Duration>,
    synced_at: Option<Duration>,
    time_sync: TimeSync,
    unsolicited: Classes,
    attributes: bool,
    keeps_house: bool,
}

/// Points in time that nothing shifts.
#[derive(Debug, Clone, Copy)]
struct Grid {
    next: Duration,
    period: Duration,
}

impl Grid {
    fn every(period: Duration, first: Duration) -> Option<Self> {
        (!period.is_zero()).then_some(Self { next: first, period })
    }

    /// The next point after now; those that passed are not made up for. Returns how many passed beside the first.
    fn advance(&mut self, now: Duration) -> u32 {
        let mut passed = 0;
        if self.next <= now {
            let behind = now.saturating_sub(self.next).as_nanos() / self.period.as_nanos().max(1);
            passed = u32::try_from(behind).unwrap_or(u32::MAX);
            self.next = self.next.saturating_add(self.period.saturating_mul(passed.saturating_add(1)));
        }
        passed
    }
}

impl Schedule {
    pub(super) fn new(config: &AssociationConfig, now: Duration) -> Self {
        let start = now + config.phase;
        Self {
            once: vec![],
            integrity: Grid::every(config.integrity_period, start + config.integrity_period),
            events: config
                .event_polls
                .iter()
                .filter_map(|p| Grid::every(p.period, start + p.period))
                .collect(),
            clock: Grid::every(config.clock_period, start),
            cleared_at: None,
            synced_at: None,
            time_sync: config.time_sync,
            unsolicited: config.unsolicited,
            attributes: config.attributes,
            keeps_house: config.keeps_house,
        }
    }

    /// A connection was made.
    pub(super) fn connected(&mut self) {
        self.once.clear();
        if self.keeps_house {
            self.add(Task::DisableUnsolicited);
            self.add(Task::Integrity);
            self.enable_unsolicited();
        } else {
            self.add(Task::Static);
        }
        if self.attributes {
            self.add(Task::Attributes);
        }
    }

    /// The device says that it has restarted.
    pub(super) fn restarted(&mut self, now: Duration) {
        if self.keeps_house && self.cleared_at.is_none_or(|at| now >= at + AT_MOST_EVERY) {
            self.add(Task::ClearRestart);
            self.add(Task::Integrity);
            self.enable_unsolicited();
        }
    }

    /// Events were lost.
    pub(super) fn overflowed(&mut self) {
        if self.keeps_house {
            self.add(Task::Integrity);
        }
    }

    /// The device asks for the time.
    pub(super) fn needs_time(&mut self, now: Duration) {
        if self.time_sync != TimeSync::Never && self.synced_at.is_none_or(|at| now >= at + AT_MOST_EVERY) {
            self.add(Task::SyncTime);
        }
    }

    /// There is more where these events came from.
    pub(super) fn more_events(&mut self, task: Task) {
        self.add(task);
    }

    fn enable_unsolicited(&mut self) {
        if !self.unsolicited.is_empty() {
            self.add(Task::EnableUnsolicited);
        }
    }

    /// The device does not know such a thing: it is not asked again.
    pub(super) fn unsupported(&mut self, task: Task) {
        match task {
            Task::Clock => self.clock = None,
            Task::Attributes => self.attributes = false,
            _ => {}
        }
    }

    fn add(&mut self, task: Task) {
        if !self.once.contains(&task) {
            self.once.push(task);
        }
    }

    /// What is to be done first, and when. While events cannot be stored, only present values are read.
    pub(super) fn first(&self, storing: bool) -> Option<Due> {
        let once = self.once.iter().min().map(|task| Due { task: *task, at: Duration::ZERO });
        let grids =
            self.events.iter().enumerate().map(|(i, grid)| Due { task: Task::Events(i), at: grid.next });
        let integrity = self.integrity.map(|grid| Due { task: Task::Integrity, at: grid.next });
        let clock = self.clock.map(|grid| Due { task: Task::Clock, at: grid.next });
        let allowed = |due: Due| match due.task {
            Task::Events(_) | Task::Integrity if !storing => Due { task: Task::Static, ..due },
            _ => due,
        };
        once.into_iter()
            .chain(grids)
            .chain(integrity)
            .chain(clock)
            .min_by_key(|due| (due.at, due.task))
            .map(allowed)
    }

    /// A task was begun: its next time is at the next point of its grid. Returns how well it kept to it.
    pub(super) fn begun(&mut self, due: Due, now: Duration) -> Pace {
        let asked_once = |task: &Task| *task == due.task || due.task == Task::Static && task.is_poll();
        self.once.retain(|task| !asked_once(task));
        let advance = |grids: &mut dyn Iterator<Item = &mut Grid>| grids.map(|grid| grid.advance(now)).sum();
        let missed = match due.task {
            // everything is read, so what was due is done
            Task::Integrity | Task::Static => {
                advance(&mut self.events.iter_mut().chain(self.integrity.iter_mut()))
            }
            Task::Events(i) => advance(&mut self.events.iter_mut().skip(i).take(1)),
            Task::Clock => advance(&mut self.clock.iter_mut()),
            Task::ClearRestart => {
                self.cleared_at = Some(now);
                0
            }
            Task::SyncTime => {
                self.synced_at = Some(now);
                0
            }
            Task::DisableUnsolicited | Task::EnableUnsolicited | Task::Attributes => 0,
        };
        // what is done once is due at once, whenever that is
        let late = if due.at.is_zero() { Duration::ZERO } else { now.saturating_sub(due.at) };
        Pace { late, missed }
    }

    /// A task failed for want of an answer: what was to be done once is still to be done.
    pub(super) fn failed(&mut self, task: Task) {
        match task {
            Task::Events(_) | Task::Clock | Task::Static => {}
            once => self.add(once),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::Address;

    const S: fn(u64) -> Duration = Duration::from_secs;

    fn schedule(edit: impl FnOnce(&mut AssociationConfig)) -> Schedule {
        let mut config = AssociationConfig::new(Address::from_wire(1), S(10));
        config.clock_period = S(0);
        config.attributes = false;
        edit(&mut config);
        Schedule::new(&config, S(0))
    }

    /// Does what is due until `until` and says what and when.
    fn run(schedule: &mut Schedule, until: Duration) -> Vec<(Task, u64)> {
        let mut done = vec![];
        let mut now = S(0);
        while let Some(due) = schedule.first(true).filter(|due| due.at <= until) {
            now = now.max(due.at);
            schedule.begun(due, now);
            done.push((due.task, now.as_secs()));
        }
        done
    }

    #[test]
    fn a_connection_begins_with_silence_then_everything_then_unsolicited() {
        let mut s = schedule(|c| c.unsolicited = Classes::EVENTS);
        s.connected();
        assert_eq!(
            run(&mut s, S(0)),
            [(Task::DisableUnsolicited, 0), (Task::Integrity, 0), (Task::EnableUnsolicited, 0)]
        );
    }

    #[test]
    fn events_come_by_their_grid_and_integrity_by_its_own() {
        let mut s = schedule(|c| c.integrity_period = S(25));
        assert_eq!(
            run(&mut s, S(50)),
            [
                (Task::Events(0), 10),
                (Task::Events(0), 20),
                (Task::Integrity, 25),
                (Task::Events(0), 30),
                (Task::Events(0), 40),
                (Task::Integrity, 50)
            ]
        );
    }

    #[test]
    fn a_restart_is_cleared_and_everything_read_but_not_without_end() {
        let mut s = schedule(|_| {});
        s.restarted(S(1));
        assert_eq!(run(&mut s, S(0)), [(Task::ClearRestart, 0), (Task::Integrity, 0)]);
        s.restarted(S(2));
        assert_eq!(run(&mut s, S(0)), []);
        s.restarted(S(11));
        assert_eq!(run(&mut s, S(0)).len(), 2);
    }

    #[test]
    fn time_is_given_only_where_it_is_configured() {
        let mut s = schedule(|_| {});
        s.needs_time(S(1));
        assert_eq!(run(&mut s, S(0)), []);
        let mut s = schedule(|c| c.time_sync = TimeSync::Lan);
        s.needs_time(S(1));
        assert_eq!(run(&mut s, S(0)), [(Task::SyncTime, 0)]);
    }

    #[test]
    fn while_nothing_can_be_stored_only_present_values_are_read() {
        let s = schedule(|_| {});
        assert_eq!(s.first(false), Some(Due { task: Task::Static, at: S(10) }));
    }

    #[test]
    fn a_bystander_reads_present_values_and_changes_nothing() {
        let mut s = schedule(|c| {
            (c.keeps_house, c.attributes) = (false, true);
            c.event_polls.clear();
            c.integrity_period = S(0);
        });
        s.connected();
        s.restarted(S(1));
        s.overflowed();
        assert_eq!(run(&mut s, S(0)), [(Task::Static, 0), (Task::Attributes, 0)]);
    }

    #[test]
    fn points_that_passed_are_not_made_up_for() {
        let mut s = schedule(|_| {});
        s.begun(Due { task: Task::Events(0), at: S(10) }, S(47));
        assert_eq!(s.first(true), Some(Due { task: Task::Events(0), at: S(50) }));
    }
}
