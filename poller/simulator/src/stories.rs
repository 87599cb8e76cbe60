//! What is waiting to be found: which regulators, what should be found of them, and when.
//!
//! The first part is data for people and tests ([`Story`]); the second ([`Happenings`]) makes the few of them come about that are
//! not physics: a control switched to manual or replaced, an endpoint that goes away.

use chrono::TimeDelta;
use regulator::Timestamp;
use regulator::conditions::Condition;

use crate::fleet::State;
use crate::plan::{Plan, utility};

/// When a story can be seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum When {
    /// At any time.
    Always,
    /// From this instant on.
    Since(Timestamp),
    /// At this instant.
    Once(Timestamp),
    /// Between these hours of local time, on days that are like this.
    Hours(u32, u32, &'static str),
    /// In these spells of the first thirty days, and once live for four minutes of every twenty.
    Spells(Vec<(Timestamp, Timestamp)>),
}

/// Something unusual about a few regulators of the fleet.
#[derive(Debug, Clone)]
pub struct Story {
    /// A short name.
    pub name: &'static str,
    /// The site it happens at.
    pub site: &'static str,
    /// The regulators it happens to, by number.
    pub regulators: Vec<usize>,
    /// The endpoint it happens to, if it is one.
    pub endpoint: Option<usize>,
    /// What is to be raised of them; nothing else is. Empty where the point is that nothing is raised.
    pub expected: &'static [Condition],
    /// When.
    pub when: When,
    /// What is going on.
    pub text: &'static str,
}

/// The events and absences of a fleet.
#[derive(Debug, Clone)]
pub(crate) struct Happenings {
    start: Timestamp,
    manual: Option<(usize, Timestamp)>,
    replaced: Option<(usize, Timestamp)>,
    outages: Vec<Outage>,
    /// The endpoint that comes and goes does so often.
    pub(crate) live: bool,
}

#[derive(Debug, Clone)]
struct Outage {
    endpoint: usize,
    /// Minutes after the start, from and to.
    spells: &'static [(i64, i64)],
    /// Whether the spells come again every thirty days, and often while live.
    again: bool,
}

/// Minutes after the start at which the control is switched to manual.
const MANUAL_AT_MIN: i64 = 12 * 1440 + 300;
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

impl Happenings {
    /// Nothing ever happens.
    pub(crate) const fn none(start: Timestamp) -> Self {
        Self { start, manual: None, replaced: None, outages: Vec::new(), live: false }
    }

    pub(crate) fn of_the_utility(plan: &Plan, start: Timestamp) -> Self {
        let (site, phase) = utility::MANUAL_SITE;
        let first = |site| regulators_at(plan, site)[0];
        let endpoint = |site| plan.regulators[first(site)].endpoint;
        let after = |minutes| start + TimeDelta::minutes(minutes);
        Self {
            manual: Some((first(site) + phase, after(MANUAL_AT_MIN))),
            replaced: Some((first(utility::REPLACED_SITE), after(REPLACED_AT_MIN))),
            outages: vec![
                Outage { endpoint: endpoint(utility::DROPOUT_SITE), spells: DROPOUTS_MIN, again: true },
                Outage { endpoint: endpoint(utility::REPLACED_SITE), spells: EXCHANGE_SPELL, again: false },
            ],
            ..Self::none(start)
        }
    }

    /// Brings about what is due at the present instant.
    pub(crate) fn pass(&self, state: &mut State) {
        if let Some((unit, at)) = self.manual {
            state.units[unit].manual = state.now >= at;
        }
        if let Some((unit, at)) = self.replaced
            && state.now >= at
            && !state.exchanged
        {
            state.exchanged = true;
            state.units[unit].counted = BENCH_COUNT;
        }
    }

    pub(crate) fn is_out(&self, endpoint: usize, now: Timestamp) -> bool {
        self.outages.iter().filter(|o| o.endpoint == endpoint).any(|o| o.covers(self.start, now, self.live))
    }

    pub(crate) fn stories(&self, plan: &Plan) -> Vec<Story> {
        if self.manual.is_none() {
            return Vec::new();
        }
        TABLE.iter().map(|entry| entry.story(plan, self.start)).collect()
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

fn regulators_at(plan: &Plan, site: &str) -> Vec<usize> {
    let here = |u: &usize| plan.sites[plan.banks[plan.regulators[*u].bank].site].name == site;
    (0..plan.regulators.len()).filter(here).collect()
}

struct Entry {
    name: &'static str,
    site: &'static str,
    /// Only this one of the site's regulators.
    only: Option<usize>,
    of_endpoint: bool,
    expected: &'static [Condition],
    when: fn(Timestamp) -> When,
    text: &'static str,
}

impl Entry {
    fn story(&self, plan: &Plan, start: Timestamp) -> Story {
        let all = regulators_at(plan, self.site);
        let regulators = self.only.map_or_else(|| all.clone(), |n| vec![all[n]]);
        Story {
            name: self.name,
            site: self.site,
            endpoint: self.of_endpoint.then(|| plan.regulators[regulators[0]].endpoint),
            regulators,
            expected: self.expected,
            when: (self.when)(start),
            text: self.text,
        }
    }
}

fn spells(start: Timestamp, minutes: &[(i64, i64)]) -> When {
    let at = |m: i64| start + TimeDelta::minutes(m);
    When::Spells(minutes.iter().map(|(from, to)| (at(*from), at(*to))).collect())
}

const TABLE: &[Entry] = &[
    Entry {
        name: "clouds",
        site: utility::CLOUD_SITE,
        only: None,
        of_endpoint: false,
        expected: &[Condition::ExcessTapping],
        when: |_| When::Hours(8, 17, "with broken cloud"),
        text: "A plant of panels stands behind a narrow band with a short delay: the regulators tap with every cloud.",
    },
    Entry {
        name: "noon reversal",
        site: utility::REVERSE_SITE,
        only: None,
        of_endpoint: false,
        expected: &[Condition::ReversePower],
        when: |_| When::Hours(9, 16, "with sun"),
        text: "The roofs behind it make more than the homes use: power runs back every sunny noon.",
    },
    Entry {
        name: "dropout",
        site: utility::DROPOUT_SITE,
        only: None,
        of_endpoint: true,
        expected: &[Condition::EndpointSilent],
        when: |start| spells(start, DROPOUTS_MIN),
        text: "The endpoint drops out and returns.",
    },
    Entry {
        name: "rollover",
        site: utility::ROLLOVER_SITE,
        only: None,
        of_endpoint: false,
        expected: &[],
        when: |_| When::Always,
        text: "The 16-bit counters pass 65535 and go on from zero; nothing is to be raised, nothing miscounted.",
    },
    Entry {
        name: "replaced control",
        site: utility::REPLACED_SITE,
        only: None,
        of_endpoint: true,
        expected: &[Condition::EndpointSilent],
        when: |start| When::Once(start + TimeDelta::minutes(REPLACED_AT_MIN)),
        text: "A new control after an hour's work: its counter begins near zero, which is not thousands of operations.",
    },
    Entry {
        name: "evening low",
        site: utility::LOW_SITE,
        only: None,
        of_endpoint: false,
        expected: &[Condition::VoltageRangeA, Condition::TapLimit],
        when: |_| When::Hours(16, 23, "at the evening peak"),
        text: "A long line and a range limited to eight steps: at the evening peak full raise is not enough.",
    },
    Entry {
        name: "lockstep",
        site: utility::LOCKSTEP_SITE,
        only: None,
        of_endpoint: false,
        expected: &[],
        when: |_| When::Always,
        text: "One control moves all three regulators together.",
    },
    Entry {
        name: "open delta",
        site: utility::DELTA_SITE,
        only: None,
        of_endpoint: false,
        expected: &[],
        when: |_| When::Always,
        text: "Two regulators, line to line, on three wires.",
    },
    Entry {
        name: "left in manual",
        site: utility::MANUAL_SITE.0,
        only: Some(utility::MANUAL_SITE.1),
        of_endpoint: false,
        expected: &[Condition::NotAutomatic],
        when: |start| When::Since(start + TimeDelta::minutes(MANUAL_AT_MIN)),
        text: "Somebody switched the control to manual and left.",
    },
];
