//! The control model: what a regulator's control does with what it measures.
//!
//! Pure and allocation-free: (settings, state, time passed, inputs) -> tap command. The simulator closes the loop with it, and
//! recorded readings can be replayed through it with other settings. The mechanism is not in here: whoever calls
//! [`Control::step`] moves the tap, at once.
//!
//! Two ways to let it run: [`Control::step`] for a closed loop (the inputs hold for the whole step), [`Control::look`] for recorded
//! readings (the inputs are seen at an instant, and time has passed since the last look).

mod widening;

pub use widening::Widening;

use crate::compensator::{Compensator, PerUnitCurrent};
use widening::Ramp;

/// What the control holds, and how, for one direction of power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Regulation {
    /// Centre of the band, V on the secondary base.
    pub set_voltage_v: f64,
    /// Whole width of the band, V.
    pub bandwidth_v: f64,
    /// How long the voltage must stay out of band before the first tap, seconds.
    pub delay_s: f64,
    /// Line-drop compensator.
    pub compensator: Compensator,
}

/// What the control does while power flows from load to source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReverseBehaviour {
    /// Keeps regulating the load side with the forward settings, as if nothing had happened.
    KeepForward,
    /// Does not tap.
    Block,
    /// Regulates the source side with the reverse settings.
    RegulateReverse,
}

/// What a return into the band does to a delay that has begun (both are common practice).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Timing {
    /// It ends the delay: the next excursion waits for the whole of it.
    #[default]
    Sequential,
    /// It lets the delay run back as fast as it ran up, so that a voltage that is out of band more often than in it is acted on.
    /// A change of side starts the delay afresh, and so does a return into the band after a tap.
    Integrating,
}

/// All settings of a control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ControlSettings {
    /// In force while power flows from source to load.
    pub forward: Regulation,
    /// In force while power is reversed, with [`ReverseBehaviour::RegulateReverse`].
    pub reverse: Regulation,
    /// What reversed power changes.
    pub reverse_behaviour: ReverseBehaviour,
    /// Per unit of CT primary: power counts as reversed below minus this in-phase current, as forward above it; between the
    /// two the last direction holds, because the sign flips with noise near zero.
    pub reverse_threshold: f64,
    /// What a return into the band does to the delay.
    pub timing: Timing,
    /// Whether, and how, the band widens while the voltage ramps fast.
    pub widening: Option<Widening>,
    /// Time between the taps of one sequence, seconds.
    pub inter_tap_s: f64,
    /// Lowest permitted tap.
    pub tap_min: i32,
    /// Highest permitted tap.
    pub tap_max: i32,
}

impl ControlSettings {
    /// Common practice: 122 V, 2 V wide, 30 s, no compensation, 32 steps, and forward settings whatever the power does.
    #[must_use]
    pub const fn common() -> Self {
        let regulation = Regulation {
            set_voltage_v: 122.0,
            bandwidth_v: 2.0,
            delay_s: 30.0,
            compensator: Compensator::OFF,
        };
        Self {
            forward: regulation,
            reverse: regulation,
            reverse_behaviour: ReverseBehaviour::KeepForward,
            reverse_threshold: 0.01,
            timing: Timing::Sequential,
            widening: None,
            inter_tap_s: 5.0,
            tap_min: -16,
            tap_max: 16,
        }
    }
}

/// What the control sees during one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inputs {
    /// Load-side voltage, V on the secondary base.
    pub load_voltage_v: f64,
    /// Source-side voltage, V on the secondary base; only needed to regulate in reverse.
    pub source_voltage_v: f64,
    /// Current, relative to the load voltage.
    pub current: PerUnitCurrent,
    /// Where the tap is.
    pub tap: i32,
    /// Whether the control is in automatic.
    pub automatic: bool,
    /// Whether tapping is blocked from outside.
    pub blocked: bool,
}

/// What the mechanism is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[repr(i8)]
pub enum TapCommand {
    /// One step down.
    Lower = -1,
    /// Stay.
    #[default]
    Hold = 0,
    /// One step up.
    Raise = 1,
}

impl TapCommand {
    /// Change of tap position: -1, 0 or 1.
    #[must_use]
    pub const fn steps(self) -> i32 {
        self as i32
    }

    const fn opposite(self) -> Self {
        match self {
            Self::Lower => Self::Raise,
            Self::Hold => Self::Hold,
            Self::Raise => Self::Lower,
        }
    }
}

/// What a control remembers between steps.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Control {
    /// Seconds until the next tap, while a delay or a sequence runs.
    remaining_s: f64,
    /// Which way it is waiting to tap: -1 the voltage is high, 0 nothing runs, 1 low.
    direction: i8,
    /// Whether power counts as reversed.
    reversed: bool,
    /// Whether the voltage is back in band while the delay runs back.
    inside: bool,
    /// Whether the first tap of a sequence has been made.
    tapping: bool,
    ramp: Ramp,
}

/// What it made of the inputs.
struct Seen {
    wanted: TapCommand,
    /// The widened band has room for this voltage.
    withheld: bool,
}

impl Seen {
    const NOTHING: Self = Self { wanted: TapCommand::Hold, withheld: false };
}

impl Control {
    /// A control that has just been switched on: in band, power forward.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether power counts as reversed.
    #[must_use]
    pub const fn reversed(&self) -> bool {
        self.reversed
    }

    /// Whether it is timing to, or in the midst of, a sequence of taps.
    #[must_use]
    pub const fn out_of_band(&self) -> bool {
        self.direction != 0 && !self.inside
    }

    /// Whether the band is widened at this moment.
    #[must_use]
    pub const fn widened(&self) -> bool {
        self.ramp.is_fast()
    }

    /// Whether, on seeing this in-phase current, it regulates the source side.
    #[inline(always)]
    pub(crate) fn would_regulate_source(&self, settings: &ControlSettings, in_phase: f64) -> bool {
        settings.reverse_behaviour == ReverseBehaviour::RegulateReverse
            && self.direction_by(settings, in_phase)
    }

    /// Whether no delay runs, so that time alone changes nothing (a widening band aside).
    pub(crate) const fn is_idle(&self) -> bool {
        self.direction == 0
    }

    /// Lets `dt_s` seconds pass with these inputs and says what to do at their end.
    ///
    /// The first tap comes once the voltage has been out of band, on one side, for the delay; further taps follow at the
    /// inter-tap time until it is in band. A change of side starts the delay afresh; what a return into the band does is a matter of
    /// [`Timing`]. At most one tap a step: with `dt_s` above the inter-tap time a sequence is slowed to one tap a step. Where the
    /// mechanism is at its limit the sequence waits there.
    #[inline]
    pub fn step(&mut self, settings: &ControlSettings, dt_s: f64, inputs: &Inputs) -> TapCommand {
        let seen = self.see(settings, inputs);
        self.pass(settings, dt_s);
        self.decide(settings, inputs.tap, &seen)
    }

    /// Looks at the inputs as they are now, `elapsed_s` seconds after the last look, and says what to do at once.
    ///
    /// The same control as in [`Control::step`], seen through samples: time counts as out of band from the first sample that is, and a tap needs a
    /// sample out of band when the delay ends. With a sample out of band at 0 s and all after it, and a delay of 30 s, it taps at 30 s.
    #[inline]
    pub fn look(&mut self, settings: &ControlSettings, elapsed_s: f64, inputs: &Inputs) -> TapCommand {
        self.pass(settings, elapsed_s);
        let seen = self.see(settings, inputs);
        self.decide(settings, inputs.tap, &seen)
    }

    /// What [`Control::look`] does at each of these (seconds elapsed, relay voltage) while no delay runs, the direction of power stays and
    /// the voltage is in band: the same state, bit by bit, for less. Without a widening band that is nothing.
    #[inline]
    pub(crate) fn rest_in_band(
        &mut self,
        widening: &Widening,
        tap: i32,
        looks: impl Iterator<Item = (f64, f64)>,
    ) {
        // A copy, so that it stays in registers.
        let mut ramp = self.ramp;
        for (elapsed_s, relay_voltage_v) in looks {
            ramp.pass(widening, elapsed_s);
            ramp.see(widening, relay_voltage_v, tap);
        }
        self.ramp = ramp;
    }

    /// What it remembers of the ramps, to the last bit.
    #[cfg(test)]
    pub(crate) fn ramp_bits(&self) -> impl Eq + std::fmt::Debug + use<> {
        self.ramp.bits()
    }

    // These are small and run for every sample of a replay: calls between them cost more than what they do.

    /// Takes in the inputs: direction of power, side of the band, ramps. Starts and ends the delay.
    #[inline(always)]
    fn see(&mut self, settings: &ControlSettings, inputs: &Inputs) -> Seen {
        self.follow_direction(settings, inputs.current.in_phase);
        let held = self.reversed && settings.reverse_behaviour == ReverseBehaviour::Block;
        if !inputs.automatic || inputs.blocked || held {
            self.rest();
            self.ramp = Ramp::default();
            return Seen::NOTHING;
        }
        let reverse = self.regulates_reverse(settings);
        let regulation = self.regulation(settings);
        let voltage = relay_voltage(regulation, reverse, inputs);
        let wanted = wanted(regulation, reverse, voltage);
        let withheld = settings.widening.as_ref().is_some_and(|widening| {
            self.ramp.see(widening, voltage, inputs.tap);
            let regulated = if reverse { inputs.source_voltage_v } else { inputs.load_voltage_v };
            self.ramp.is_fast()
                && widening.has_room(regulated, voltage - regulation.set_voltage_v, regulation.bandwidth_v)
        });
        if wanted == TapCommand::Hold {
            self.return_into_band(settings.timing);
        } else {
            self.inside = false;
            if self.direction != wanted as i8 {
                self.direction = wanted as i8;
                self.tapping = false;
                self.remaining_s = regulation.delay_s;
            }
        }
        Seen { wanted, withheld }
    }

    /// Lets time pass with what was seen last.
    #[inline(always)]
    fn pass(&mut self, settings: &ControlSettings, dt_s: f64) {
        if self.direction != 0 {
            if self.inside {
                self.remaining_s += dt_s;
                if self.remaining_s >= self.regulation(settings).delay_s {
                    self.rest();
                }
            } else {
                self.remaining_s -= dt_s;
            }
        }
        if let Some(widening) = &settings.widening {
            self.ramp.pass(widening, dt_s);
        }
    }

    #[inline(always)]
    fn decide(&mut self, settings: &ControlSettings, tap: i32, seen: &Seen) -> TapCommand {
        if seen.wanted == TapCommand::Hold {
            return TapCommand::Hold;
        }
        let next = tap + seen.wanted.steps();
        let at_limit = next < settings.tap_min || next > settings.tap_max;
        if self.remaining_s > 0.0 || at_limit || seen.withheld {
            self.remaining_s = self.remaining_s.max(0.0);
            return TapCommand::Hold;
        }
        self.tapping = true;
        self.remaining_s = settings.inter_tap_s;
        seen.wanted
    }

    #[inline]
    const fn rest(&mut self) {
        self.direction = 0;
        self.inside = false;
        self.tapping = false;
    }

    #[inline(always)]
    fn return_into_band(&mut self, timing: Timing) {
        if timing == Timing::Integrating && self.direction != 0 && !self.tapping {
            self.inside = true;
        } else {
            self.rest();
        }
    }

    #[inline]
    fn regulates_reverse(&self, settings: &ControlSettings) -> bool {
        self.reversed && settings.reverse_behaviour == ReverseBehaviour::RegulateReverse
    }

    #[inline]
    fn regulation<'a>(&self, settings: &'a ControlSettings) -> &'a Regulation {
        if self.regulates_reverse(settings) { &settings.reverse } else { &settings.forward }
    }

    /// Whether power counts as reversed once this in-phase current is seen.
    #[inline(always)]
    fn direction_by(&self, settings: &ControlSettings, in_phase: f64) -> bool {
        if in_phase < -settings.reverse_threshold {
            true
        } else if in_phase > settings.reverse_threshold {
            false
        } else {
            self.reversed
        }
    }

    #[inline(always)]
    pub(crate) fn follow_direction(&mut self, settings: &ControlSettings, in_phase: f64) {
        let was = self.reversed;
        self.reversed = self.direction_by(settings, in_phase);
        if was != self.reversed && settings.reverse_behaviour != ReverseBehaviour::KeepForward {
            self.rest();
        }
    }
}

/// The voltage that is held, V on the secondary base.
#[inline]
fn relay_voltage(regulation: &Regulation, reverse: bool, inputs: &Inputs) -> f64 {
    if reverse {
        // Seen from the source side the current runs the other way.
        let current = PerUnitCurrent { in_phase: -inputs.current.in_phase, lagging: -inputs.current.lagging };
        regulation.compensator.relay_voltage(inputs.source_voltage_v, current)
    } else {
        regulation.compensator.relay_voltage(inputs.load_voltage_v, inputs.current)
    }
}

/// Which way the voltage wants the tap to go, limits aside.
#[inline]
fn wanted(regulation: &Regulation, reverse: bool, relay_voltage_v: f64) -> TapCommand {
    let deviation = relay_voltage_v - regulation.set_voltage_v;
    let half = 0.5 * regulation.bandwidth_v;
    let command = if deviation > half {
        TapCommand::Lower
    } else if deviation < -half {
        TapCommand::Raise
    } else {
        TapCommand::Hold
    };
    // A higher tap lowers the source side.
    if reverse { command.opposite() } else { command }
}

#[cfg(test)]
mod tests;
