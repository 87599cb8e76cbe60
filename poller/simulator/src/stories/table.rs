//! The stories themselves.

use regulator::conditions::Condition;

use super::happenings::Times;
use super::{SiteThreshold, Story, When};
use crate::plan::{Plan, utility};

/// One story, before it has a fleet and a start.
pub(super) struct Entry {
    name: &'static str,
    site: &'static str,
    /// Only this one of the site's regulators.
    only: Option<usize>,
    of_endpoint: bool,
    expected: &'static [Condition],
    possible: &'static [Condition],
    thresholds: &'static [SiteThreshold],
    when: fn(&Times) -> When,
    text: &'static str,
}

impl Entry {
    /// Of a whole site, at any time, with nothing to be raised.
    const fn at(site: &'static str, name: &'static str, text: &'static str) -> Self {
        Self {
            name,
            site,
            only: None,
            of_endpoint: false,
            expected: &[],
            possible: &[],
            thresholds: &[],
            when: always,
            text,
        }
    }

    const fn of_one((site, which): (&'static str, usize), name: &'static str, text: &'static str) -> Self {
        Self { only: Some(which), ..Self::at(site, name, text) }
    }

    const fn of_endpoint(self) -> Self {
        Self { of_endpoint: true, ..self }
    }

    const fn when(self, when: fn(&Times) -> When) -> Self {
        Self { when, ..self }
    }

    const fn raises(self, expected: &'static [Condition]) -> Self {
        Self { expected, ..self }
    }

    const fn perhaps(self, possible: &'static [Condition]) -> Self {
        Self { possible, ..self }
    }

    const fn by(self, thresholds: &'static [SiteThreshold]) -> Self {
        Self { thresholds, ..self }
    }

    pub(super) fn story(&self, plan: &Plan, times: &Times) -> Story {
        let all = plan.regulators_at(self.site);
        let regulators = self.only.map_or_else(|| all.clone(), |n| vec![all[n]]);
        Story {
            name: self.name,
            site: self.site,
            endpoint: self.of_endpoint.then(|| plan.regulators[regulators[0]].endpoint),
            regulators,
            expected: self.expected,
            possible: self.possible,
            thresholds: self.thresholds,
            when: (self.when)(times),
            text: self.text,
        }
    }
}

const fn always(_: &Times) -> When {
    When::Always
}

const fn set(condition: Condition, parameter: &'static str, value: f64) -> SiteThreshold {
    SiteThreshold { condition, parameter, value }
}

pub(super) const TABLE: &[Entry] = &[
    Entry::at(
        utility::CLOUD_SITE,
        "clouds",
        "A plant of panels stands behind a narrow band with a short delay: the regulators tap with every cloud.",
    )
    .when(|_| When::Hours(8, 17, "with broken cloud"))
    .raises(&[Condition::ExcessTapping])
    // Ramps and pairs of taps take readings no more than two minutes apart.
    .perhaps(&[Condition::CloudDrivenTapping, Condition::Hunting]),
    Entry::at(
        utility::REVERSE_SITE,
        "noon reversal",
        "The roofs behind it make more than the homes use: power runs back every sunny noon. The load side follows \
         the taps as ever, so it is no runaway.",
    )
    .when(|_| When::Hours(9, 16, "with sun"))
    .raises(&[Condition::ReversePower]),
    Entry::at(utility::DROPOUT_SITE, "dropout", "The endpoint drops out and returns.")
        .of_endpoint()
        .when(Times::dropouts)
        .raises(&[Condition::EndpointSilent]),
    Entry::at(
        utility::ROLLOVER_SITE,
        "rollover",
        "The 16-bit counters pass 65535 and go on from zero; nothing is to be raised, nothing miscounted.",
    ),
    Entry::at(
        utility::REPLACED_SITE,
        "replaced control",
        "A new control after an hour's work: its counter begins near zero, which is not thousands of operations.",
    )
    .of_endpoint()
    .when(|times| When::Once(times.replaced))
    .raises(&[Condition::EndpointSilent, Condition::CounterAnomaly]),
    Entry::at(
        utility::LOW_SITE,
        "evening low",
        "A long line and a range limited to eight steps: at the evening peak full raise is not enough.",
    )
    .when(|_| When::Hours(16, 23, "at the evening peak"))
    .raises(&[Condition::VoltageRangeA, Condition::TapLimit]),
    Entry::at(
        utility::LOCKSTEP_SITE,
        "lockstep",
        "One control moves all three regulators together, by what it measures on the first. The other two may stand out of band for \
         long, which is no fault of a mechanism.",
    ),
    Entry::at(utility::DELTA_SITE, "open delta", "Two regulators, line to line, on three wires."),
    Entry::of_one(
        utility::MANUAL_SITE,
        "left in manual",
        "Somebody switched the control to manual and left.",
    )
    .when(|times| When::Since(times.manual))
    .raises(&[Condition::NotAutomatic, Condition::BlockedOrManualTooLong]),
    Entry::of_one(
        utility::SLIPPED_SITE,
        "slipped report",
        "The position sensor misses one pulse: from then on the reported tap is one step off the one that the two \
         voltages imply, until the unit passes neutral and the control puts its position right.",
    )
    .when(|times| When::Since(times.slipped))
    .raises(&[Condition::SlippedTapReport]),
    Entry::of_one(
        utility::STUCK_SITE,
        "stuck motor",
        "The motor does not turn any more: the control asks and asks, tap and counter stand still, the voltage \
         follows the load.",
    )
    .when(|times| When::Since(times.stuck))
    .raises(&[Condition::MechanismSuspect]),
    Entry::at(
        utility::CASCADE_SITE,
        "cascade",
        "It waits a shorter time than the regulators upstream: it mends what they are about to mend, and has to take it \
         back once they have.",
    )
    .raises(&[Condition::ExcessTapping])
    .perhaps(&[Condition::Hunting]),
    Entry::at(
        utility::REFED_SITE,
        "runaway",
        "For work on the line its section is fed from the far end on a Saturday. Power runs back, the controls go on holding \
         the load side, which the taps do not move any more: they run to the limit, and the source side falls.",
    )
    .when(|times| When::Between(times.refed.0, times.refed.1))
    .raises(&[Condition::Runaway, Condition::ReversePower, Condition::TapLimit])
    .perhaps(&[
        Condition::ExcessTapping,
        Condition::TapSpread,
        Condition::VoltageUnbalance,
        Condition::VoltageRangeA,
        Condition::VoltageRangeB,
    ]),
    Entry::at(
        utility::ONE_SIDED_SITE,
        "one side of neutral",
        "At the end of a long line it always has to raise: the reversing switch does not move. The utility exercises this site \
         every three weeks, so that its threshold is lower than the year's default.",
    )
    .by(&[set(Condition::ExerciseDue, "side_days", 21.0)])
    .raises(&[Condition::ExerciseDue]),
    Entry::at(
        utility::WORN_SITE,
        "worn contacts",
        "The counters are far advanced: by the estimate the contacts are near the end of their life.",
    )
    .raises(&[Condition::WearLimit]),
    Entry::at(
        utility::CROSSED_SITE,
        "crossed compensator",
        "Somebody enters the settings anew, R and X in each other's place: the voltage is too high whenever the load is.",
    )
    .by(&[
        set(Condition::OffStandard, "judge_compensator", 1.0),
        set(Condition::OffStandard, "standard_ldc_r_v", 2.0),
        set(Condition::OffStandard, "standard_ldc_x_v", 8.0),
    ])
    .when(|times| When::Since(times.crossed))
    .raises(&[Condition::SettingsChanged, Condition::OffStandard, Condition::VoltageRangeA])
    .perhaps(&[Condition::VoltageRangeB]),
    Entry::at(
        utility::DISTORTED_SITE,
        "drives",
        "Large drives without filters behind it distort the voltage whenever the shops work.",
    )
    .when(|_| When::Hours(8, 18, "on working days"))
    .raises(&[Condition::HarmonicDistortion]),
];
