//! The mechanism may not do what it is told: no tap where one is called for, or a travel that does not end.
//!
//! A tap is called for when the voltage lies beyond the band by more than all doubt and the control says that it is in automatic
//! (see [`crate::mechanism::Demand`]). True when at least three readings in a row, the first and last of them a wait apart, call
//! for the same direction and the tap has not moved. A counter that went on meanwhile is told: the drive may turn without the
//! contacts. The wait is the control's own delay times a factor, and at least so long
//! that a control which integrates or shares its delays has acted. A travel (see [`crate::mechanism::Travel`]) that lasts too long
//! is true at once.
//!
//! In a bank that moves together, or may do so as far as is known, a tap is called for only if the load voltages of all its
//! regulators call for it: the control may measure any of them.
//!
//! True no longer when the tap moves; a travel, when it is over. A voltage back in band ends nothing: it may have come back by
//! itself.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Ganged, Settings, Transition,
    hold::seconds,
    words::{count, fact, number, span},
};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    counter::step,
    dwell::{position, whole},
    mechanism::{Allowance, Demand, Travel, Unjudged},
};

/// The base that the doubts are stated on, V.
const STATED_BASE_V: f64 = 120.0;
/// Power reversed by more than this share of the unit's kVA means that the control's own rules are not known.
const REVERSE_SHARE: f64 = 0.01;
/// Readings in a row that must call for a tap.
const LEAST_READINGS: u8 = 3;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    allowance: Allowance,
    delay_factor: f64,
    least_s: f64,
    travel_s: f64,
    nameplate: Nameplate,
    /// The unit's base to the base that others' voltages are stated on.
    scale: f64,
}

impl Limits {
    fn demand(&self, reading: &Reading, ganged: Option<&Ganged>) -> Result<Option<Demand>, Unjudged> {
        let others = match ganged {
            None => None,
            Some(Ganged { others: None }) => return Err(Unjudged::Missing(Quantity::LoadVoltage)),
            Some(Ganged { others: Some(v) }) => Some((v.lowest_v * self.scale, v.highest_v * self.scale)),
        };
        Demand::of_bank(reading, &self.nameplate, &self.allowance, others)
    }

    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::MechanismSuspect, name);
        let scale = nameplate.voltage_base_v / STATED_BASE_V;
        Self {
            allowance: Allowance {
                margin_v: get("margin_v") * scale,
                compensator_v: get("compensator_v") * scale,
                reverse_kw: REVERSE_SHARE * nameplate.kva,
            },
            delay_factor: get("delay_factor"),
            least_s: get("least_s"),
            travel_s: get("travel_s"),
            nameplate: nameplate.clone(),
            scale,
        }
    }
}

/// Why it is true.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Reason {
    NoTap,
    Travel,
}

/// Readings in a row that call for a tap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Call {
    since: Timestamp,
    raise: bool,
    readings: u8,
    /// Operations counted meanwhile.
    counted: u64,
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct MechanismSuspect {
    active: Option<Reason>,
    call: Option<Call>,
    tap: Option<i32>,
    counter: Option<(Timestamp, u64)>,
    travel: Travel,
}

/// What changed since the reading before.
#[derive(Clone, Copy)]
struct Progress {
    moved: bool,
    counted: u64,
}

impl MechanismSuspect {
    /// `ganged`: the others of a bank that moves together.
    pub(super) fn observe(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        ganged: Option<&Ganged>,
        out: &mut Vec<Transition>,
    ) {
        let demand = limits.demand(reading, ganged);
        self.judge(limits, reading, demand, reading.flag(Quantity::TapInProgress), out);
    }

    /// The same with what the control says of a tap in progress, where it does.
    fn judge(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        demand: Result<Option<Demand>, Unjudged>,
        in_progress: Option<bool>,
        out: &mut Vec<Transition>,
    ) {
        let at = reading.measured_at;
        let progress = self.progress(reading, limits.nameplate.counter_modulus);
        let travel_s = self.travel.observe(at, in_progress, progress.moved || progress.counted > 0);
        if progress.moved {
            self.call = None;
        }
        match demand {
            Ok(Some(demand)) => self.called(at, demand.raise, progress.counted),
            // a missing quantity says nothing, all else that no tap is called for
            Err(Unjudged::Missing(_)) => {}
            Ok(None) | Err(_) => self.call = None,
        }
        match self.active {
            None => {
                if travel_s.is_some_and(|s| s >= limits.travel_s) {
                    self.active = Some(Reason::Travel);
                    out.push(slow(at, travel_s.unwrap_or(0.0)));
                } else if let (Ok(Some(demand)), Some(call)) = (demand, self.call)
                    && call.due(limits, &demand, at)
                {
                    self.active = Some(Reason::NoTap);
                    out.push(self.not_tapping(at, &demand, &call));
                }
            }
            Some(Reason::NoTap) if progress.moved => self.end(at, out),
            Some(Reason::Travel) if in_progress == Some(false) || progress.moved => self.end(at, out),
            Some(_) => {}
        }
    }

    /// Drops pending evidence: its times turned out to be wrong.
    pub(super) const fn forget_pending(&mut self) {
        self.call = None;
        self.counter = None;
        self.travel.forget();
    }

    fn progress(&mut self, reading: &Reading, modulus: u64) -> Progress {
        let tap = reading.good(Quantity::Tap).and_then(position);
        let moved = tap.is_some() && self.tap.is_some() && tap != self.tap;
        self.tap = tap.or(self.tap);
        let at = reading.measured_at;
        let counter = reading.good(Quantity::Operations).and_then(whole).map(|value| (at, value));
        let counted = counter.zip(self.counter).map_or(0, |((_, now), (then, before))| {
            if now == before { 0 } else { step(before, now, modulus, seconds(then, at)).operations() }
        });
        self.counter = counter.or(self.counter);
        Progress { moved, counted }
    }

    fn called(&mut self, at: Timestamp, raise: bool, counted: u64) {
        match &mut self.call {
            Some(call) if call.raise == raise => {
                call.readings = call.readings.saturating_add(1);
                call.counted += counted;
            }
            other => *other = Some(Call { since: at, raise, readings: 1, counted: 0 }),
        }
    }

    fn not_tapping(&self, at: Timestamp, demand: &Demand, call: &Call) -> Transition {
        let lasted_s = seconds(call.since, at);
        let word = if demand.raise { "below" } else { "above" };
        let place = self.tap.map_or_else(String::new, |tap| format!(", tap {tap:+} did not move"));
        let counted = match call.counted {
            0 => "no operation counted".to_owned(),
            n => format!("{n} operations counted"),
        };
        let summary = format!(
            "load voltage {:.1} V, {word} {} V for {} in automatic{place}, {counted}",
            demand.voltage_v,
            number(demand.edge_v, 2),
            span(lasted_s)
        );
        let mut facts = vec![
            fact("Load voltage", demand.voltage_v, "V"),
            fact("Edge of the band with all doubt granted", demand.edge_v, "V"),
            fact("Since the first such reading", lasted_s, "s"),
            fact("Operations counted since", count(call.counted), ""),
        ];
        facts.extend(self.tap.map(|tap| fact("Tap", f64::from(tap), "")));
        facts.extend(demand.delay_s.map(|s| fact("The control's own delay", s, "s")));
        transition(Change::Raised, at, summary, facts)
    }

    fn end(&mut self, at: Timestamp, out: &mut Vec<Transition>) {
        let was = self.active.take();
        let summary = match (was, self.tap) {
            (Some(Reason::Travel), _) => "the travel is over".to_owned(),
            (_, tap) => format!("the tap moved, to {:+}", tap.unwrap_or(0)),
        };
        let facts = self.tap.map(|tap| fact("Tap", f64::from(tap), "")).into_iter().collect();
        out.push(transition(Change::Returned, at, summary, facts));
    }
}

impl Call {
    fn due(&self, limits: &Limits, demand: &Demand, at: Timestamp) -> bool {
        let wait_s = demand.delay_s.map_or(0.0, |s| s * limits.delay_factor).max(limits.least_s);
        self.readings >= LEAST_READINGS && seconds(self.since, at) >= wait_s
    }
}

fn slow(at: Timestamp, lasted_s: f64) -> Transition {
    let summary = format!("tap in progress for {}, no tap or counter change", span(lasted_s));
    transition(Change::Raised, at, summary, vec![fact("Tap in progress since", lasted_s, "s")])
}

fn transition(change: Change, at: Timestamp, summary: String, facts: Vec<super::Fact>) -> Transition {
    Transition { condition: Condition::MechanismSuspect, change, at, summary, facts }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::{
        Beside, Others,
        story::{Story, at, told},
    };

    /// A control that reports everything; 122 V, 2 V wide, 30 s, no compensator.
    fn reading(s: i64, tap: f64, voltage: f64, operations: f64) -> Reading {
        Reading::new(at(s))
            .with(Quantity::Tap, tap)
            .with(Quantity::LoadVoltage, voltage)
            .with(Quantity::Operations, operations)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::TimeDelay, 30.0)
            .with(Quantity::LdcResistance, 0.0)
            .with(Quantity::LdcReactance, 0.0)
            .with(Quantity::Automatic, 1.0)
    }

    fn run(story: &mut Story, seconds: std::ops::Range<i64>, make: impl Fn(i64) -> Reading) -> Vec<String> {
        let told = seconds.step_by(10).flat_map(|s| story.observe(&make(s)));
        told.filter(|line| line.contains("mechanism_suspect")).collect()
    }

    #[test]
    fn a_motor_that_does_not_start_is_told_and_ends_when_the_tap_moves() {
        let mut story = Story::common();
        assert_eq!(
            run(&mut story, 0..1200, |s| reading(s, 4.0, 118.0, 700.0)),
            [
                "600 mechanism_suspect raised: load voltage 118.0 V, below 120.25 V for 10 min in automatic, tap +4 did not move, no operation counted"
            ]
        );
        assert!(
            run(&mut story, 1200..9000, |s| reading(s, 4.0, 122.0, 700.0)).is_empty(),
            "in band by itself"
        );
        assert_eq!(
            run(&mut story, 9000..9100, |s| reading(s, 5.0, 122.0, 701.0)),
            ["9000 mechanism_suspect returned: the tap moved, to +5"]
        );
    }

    #[test]
    fn a_drive_that_turns_without_the_contacts_is_told_with_its_count() {
        let mut story = Story::common();
        let slipping = |s: i64| reading(s, 4.0, 118.0, 700.0 + (f64::from(u32::try_from(s / 120).unwrap())));
        let told = run(&mut story, 0..700, slipping);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].ends_with("tap +4 did not move, 5 operations counted"), "{told:?}");
    }

    #[test]
    fn a_unit_that_follows_a_long_ramp_is_healthy() {
        let mut story = Story::common();
        // always low, but a tap every two minutes
        let told = run(&mut story, 0..1800, |s| {
            let taps = f64::from(u32::try_from(s / 120).unwrap());
            reading(s, taps - 8.0, 119.0, 700.0 + taps)
        });
        assert_eq!(told, [""; 0]);
    }

    #[test]
    fn a_held_reversed_or_limited_control_is_not_judged() {
        for (quantity, value) in [
            (Quantity::Automatic, 0.0),
            (Quantity::Blocked, 1.0),
            (Quantity::ReverseFlow, 1.0),
            (Quantity::RealPower, -20.0),
            (Quantity::Tap, 16.0),
        ] {
            let mut story = Story::common();
            let told = run(&mut story, 0..3600, |s| reading(s, 4.0, 118.0, 700.0).with(quantity, value));
            assert_eq!(told, [""; 0], "{quantity:?}");
        }
    }

    #[test]
    fn the_controls_own_long_delay_is_waited_for() {
        let mut story = Story::common();
        let slow = |s| reading(s, 4.0, 118.0, 700.0).with(Quantity::TimeDelay, 300.0);
        assert!(run(&mut story, 0..900, slow).is_empty());
        assert_eq!(run(&mut story, 900..910, slow).len(), 1);
    }

    #[test]
    fn in_a_bank_that_moves_together_one_low_phase_is_no_call() {
        let low = |s, others: Option<f64>| {
            let ganged = Ganged { others: others.map(|v| Others { lowest_v: v, highest_v: v }) };
            (reading(s, 4.0, 118.0, 700.0), Beside { source: None, ganged: Some(ganged) })
        };
        for (others, expected) in [(Some(122.0), 0), (None, 0), (Some(119.0), 1)] {
            let mut story = Story::common();
            let told = (0..1200).step_by(10).flat_map(|s| {
                let (reading, beside) = low(s, others);
                story.observe_beside(&reading, &beside)
            });
            let told: Vec<_> = told.filter(|line| line.contains("mechanism_suspect")).collect();
            assert_eq!(told.len(), expected, "{others:?} {told:?}");
        }
    }

    #[test]
    fn two_readings_far_apart_are_no_evidence() {
        let mut story = Story::common();
        let mut told = story.observe(&reading(0, 4.0, 118.0, 700.0));
        told.extend(story.observe(&reading(7200, 4.0, 118.0, 700.0)));
        told.retain(|line| line.contains("mechanism_suspect"));
        assert_eq!(told, [""; 0]);
    }

    #[test]
    fn a_travel_that_does_not_end_is_told_where_it_is_reported() {
        let story = Story::common();
        let limits = Limits::new(&story.nameplate, &Settings::default());
        let mut state = MechanismSuspect::default();
        let mut out = vec![];
        for s in (0..200).step_by(10) {
            let quiet = reading(s, 4.0, 122.0, 700.0);
            let demand = limits.demand(&quiet, None);
            state.judge(&limits, &quiet, demand, Some((20..170).contains(&s)), &mut out);
        }
        assert_eq!(
            told(out),
            [
                "140 mechanism_suspect raised: tap in progress for 2 min, no tap or counter change",
                "170 mechanism_suspect returned: the travel is over",
            ]
        );
    }
}
