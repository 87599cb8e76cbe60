//! The events and absences of a fleet: what is not physics.

use chrono::{DateTime, Datelike, TimeDelta, TimeZone, Weekday};
use chrono_tz::Tz;
use regulator::Timestamp;

use super::{Story, When, table};
use crate::fleet::State;
use crate::plan::{Plan, utility};

/// The events and absences of a fleet.
#[derive(Debug, Clone)]
pub(crate) struct Happenings {
    start: Timestamp,
    events: Option<Events>,
    outages: Vec<Outage>,
    /// The endpoint that comes and goes does so often.
    pub(crate) live: bool,
}

/// What happens once, and to whom.
#[derive(Debug, Clone)]
struct Events {
    times: Times,
    manual: usize,
    replaced: usize,
    slipped: usize,
    stuck: usize,
    crossed: Vec<usize>,
}

/// When.
#[derive(Debug, Clone, Copy)]
pub(super) struct Times {
    start: Timestamp,
    pub(super) slipped: Timestamp,
    pub(super) manual: Timestamp,
    pub(super) crossed: Timestamp,
    pub(super) replaced: Timestamp,
    pub(super) stuck: Timestamp,
    /// The feeder is switched, and switched back.
    pub(super) refed: (Timestamp, Timestamp),
}

#[derive(Debug, Clone)]
struct Outage {
    endpoint: usize,
    /// Minutes after the start, from and to.
    spells: &'static [(i64, i64)],
    /// Whether the spells come again every thirty days, and often while live.
    again: bool,
}

/// Minutes after the start at which the new control is switched on.
const REPLACED_AT_MIN: i64 = 17 * 1440 + 250;
/// The exchange takes this long.
const EXCHANGE_MIN: i64 = 52;
/// What the new control has counted on the bench.
const BENCH_COUNT: u64 = 4;
const DROPOUTS_MIN: &[(i64, i64)] = &[
    (4 * 1440 + 417, 4 * 1440 + 452),
    (11 * 1440 + 1013, 11 * 1440 + 1101),
    (19 * 1440 + 96, 19 * 1440 + 121),
    (26 * 1440 + 633, 26 * 1440 + 695),
];
const EXCHANGE_SPELL: &[(i64, i64)] = &[(REPLACED_AT_MIN - EXCHANGE_MIN, REPLACED_AT_MIN)];
const MONTH_MIN: i64 = 30 * 1440;
/// While live: out for the last four of every twenty minutes.
const LIVE_CYCLE_S: i64 = 1200;
const LIVE_OUT_FROM_S: i64 = 960;
/// The feeder is switched on the first Saturday after this many days: minutes of its day.
const REFED_AFTER_DAYS: i64 = 7;
const REFED_FROM_MIN: i64 = 390;
const REFED_TO_MIN: i64 = 930;

impl Times {
    fn of(start: Timestamp, zone: Tz) -> Self {
        let after = |minutes| start + TimeDelta::minutes(minutes);
        let saturday = saturday(start + TimeDelta::days(REFED_AFTER_DAYS), zone);
        Self {
            start,
            slipped: after(8 * 1440 + 610),
            manual: after(12 * 1440 + 300),
            crossed: after(14 * 1440 + 550),
            replaced: after(REPLACED_AT_MIN),
            stuck: after(25 * 1440 + 700),
            refed: (
                saturday + TimeDelta::minutes(REFED_FROM_MIN),
                saturday + TimeDelta::minutes(REFED_TO_MIN),
            ),
        }
    }

    pub(super) fn dropouts(&self) -> When {
        let at = |m: i64| self.start + TimeDelta::minutes(m);
        When::Spells(DROPOUTS_MIN.iter().map(|(from, to)| (at(*from), at(*to))).collect())
    }
}

/// The first midnight, local time, that begins a Saturday.
fn saturday(after: Timestamp, zone: Tz) -> Timestamp {
    let mut day = zone.from_utc_datetime(&after.naive_utc()).date_naive();
    while day.weekday() != Weekday::Sat {
        day += TimeDelta::days(1);
    }
    let midnight = day.and_hms_opt(0, 0, 0).expect("midnight is a time");
    let local: Option<DateTime<Tz>> = zone.from_local_datetime(&midnight).earliest();
    local.map_or_else(|| midnight.and_utc(), |at| at.to_utc())
}

impl Happenings {
    /// Nothing ever happens.
    pub(crate) const fn none(start: Timestamp) -> Self {
        Self { start, events: None, outages: Vec::new(), live: false }
    }

    pub(crate) fn of_the_utility(plan: &Plan, start: Timestamp) -> Self {
        let one = |(site, phase): (&str, usize)| plan.regulators_at(site)[phase];
        let endpoint = |site| plan.regulators[one((site, 0))].endpoint;
        let events = Events {
            times: Times::of(start, plan.time_zone),
            manual: one(utility::MANUAL_SITE),
            replaced: one((utility::REPLACED_SITE, 0)),
            slipped: one(utility::SLIPPED_SITE),
            stuck: one(utility::STUCK_SITE),
            crossed: plan.regulators_at(utility::CROSSED_SITE),
        };
        Self {
            events: Some(events),
            outages: vec![
                Outage { endpoint: endpoint(utility::DROPOUT_SITE), spells: DROPOUTS_MIN, again: true },
                Outage { endpoint: endpoint(utility::REPLACED_SITE), spells: EXCHANGE_SPELL, again: false },
            ],
            ..Self::none(start)
        }
    }

    /// Brings about what is due at the present instant.
    pub(crate) fn pass(&self, state: &mut State) {
        if let Some(events) = &self.events {
            events.pass(state);
        }
    }

    pub(crate) fn is_out(&self, endpoint: usize, now: Timestamp) -> bool {
        self.outages.iter().filter(|o| o.endpoint == endpoint).any(|o| o.covers(self.start, now, self.live))
    }

    pub(crate) fn stories(&self, plan: &Plan) -> Vec<Story> {
        let Some(events) = &self.events else { return Vec::new() };
        table::TABLE.iter().map(|entry| entry.story(plan, &events.times)).collect()
    }
}

impl Events {
    fn pass(&self, state: &mut State) {
        let (now, times) = (state.now, &self.times);
        let units = &mut state.units;
        units[self.manual].manual = now >= times.manual;
        units[self.stuck].stuck = now >= times.stuck;
        for crossed in &self.crossed {
            units[*crossed].crossed = now >= times.crossed;
        }
        state.refed = (times.refed.0..times.refed.1).contains(&now);
        if now >= times.slipped && !state.slipped {
            state.slipped = true;
            units[self.slipped].pulse_missed = true;
        }
        if now >= times.replaced && !state.exchanged {
            state.exchanged = true;
            units[self.replaced].counted = BENCH_COUNT;
        }
    }
}

impl Outage {
    fn covers(&self, start: Timestamp, now: Timestamp, live: bool) -> bool {
        if self.again && live && now.timestamp().rem_euclid(LIVE_CYCLE_S) >= LIVE_OUT_FROM_S {
            return true;
        }
        let minute = (now - start).num_seconds().div_euclid(60);
        let minute = if self.again { minute.rem_euclid(MONTH_MIN) } else { minute };
        self.spells.iter().any(|(from, to)| (*from..*to).contains(&minute))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_feeder_is_switched_on_a_saturday_whenever_the_fleet_begins() {
        let zone = chrono_tz::America::Denver;
        for day in 0..14 {
            let start: Timestamp = "2026-10-21T06:00:00Z".parse().unwrap();
            let start = start + TimeDelta::days(day);
            let (from, to) = Times::of(start, zone).refed;
            let local = zone.from_utc_datetime(&from.naive_utc());
            assert_eq!((local.weekday(), local.format("%H:%M").to_string()), (Weekday::Sat, "06:30".into()));
            assert_eq!((to - from).num_hours(), 9);
            assert!((from - start).num_days() < 15);
        }
    }
}
