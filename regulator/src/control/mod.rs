//! The control model: what a regulator's control does with what it measures.
//!
//! Pure and allocation-free: (settings, state, time passed, inputs) -> tap command. The simulator closes the loop with it, and
//! recorded readings can be replayed through it with other settings. The mechanism is not in here: whoever calls
//! [`Control::step`] moves the tap, at once.

use crate::compensator::{Compensator, PerUnitCurrent};

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
    LockForward,
    /// Does not tap.
    Block,
    /// Regulates the source side with the reverse settings.
    RegulateReverse,
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
            reverse_behaviour: ReverseBehaviour::LockForward,
            reverse_threshold: 0.01,
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
pub struct Control {
    /// Seconds until the next tap, while out of band.
    remaining_s: f64,
    /// Which way it is waiting to tap: -1 the voltage is high, 0 in band, 1 low.
    direction: i8,
    /// Whether power counts as reversed.
    reversed: bool,
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
        self.direction != 0
    }

    /// Lets `dt_s` seconds pass with these inputs and says what to do at their end.
    ///
    /// The first tap comes once the voltage has been out of band, on one side, for the delay; further taps follow at the
    /// inter-tap time until it is in band. Any return into the band, or a change of side, starts the delay afresh. At most one tap
    /// a step: with `dt_s` above the inter-tap time a sequence is slowed to one tap a step. Where the mechanism is at its
    /// limit the sequence waits there.
    #[inline]
    pub fn step(&mut self, settings: &ControlSettings, dt_s: f64, inputs: &Inputs) -> TapCommand {
        self.follow_direction(settings, inputs.current.in_phase);
        let reverse = self.reversed && settings.reverse_behaviour == ReverseBehaviour::RegulateReverse;
        let held = self.reversed && settings.reverse_behaviour == ReverseBehaviour::Block;
        if !inputs.automatic || inputs.blocked || held {
            self.direction = 0;
            return TapCommand::Hold;
        }
        let regulation = if reverse { &settings.reverse } else { &settings.forward };
        let wanted = wanted(regulation, reverse, inputs);
        if wanted == TapCommand::Hold {
            self.direction = 0;
            return TapCommand::Hold;
        }
        if self.direction != wanted as i8 {
            self.direction = wanted as i8;
            self.remaining_s = regulation.delay_s;
        }
        self.remaining_s -= dt_s;
        let next = inputs.tap + wanted.steps();
        if self.remaining_s > 0.0 || next < settings.tap_min || next > settings.tap_max {
            self.remaining_s = self.remaining_s.max(0.0);
            return TapCommand::Hold;
        }
        self.remaining_s = settings.inter_tap_s;
        wanted
    }

    fn follow_direction(&mut self, settings: &ControlSettings, in_phase: f64) {
        let was = self.reversed;
        if in_phase < -settings.reverse_threshold {
            self.reversed = true;
        } else if in_phase > settings.reverse_threshold {
            self.reversed = false;
        }
        if was != self.reversed && settings.reverse_behaviour != ReverseBehaviour::LockForward {
            self.direction = 0;
        }
    }
}

/// Which way the voltage wants the tap to go, limits aside.
#[inline]
fn wanted(regulation: &Regulation, reverse: bool, inputs: &Inputs) -> TapCommand {
    let voltage = if reverse {
        // Seen from the source side the current runs the other way.
        let current = PerUnitCurrent { in_phase: -inputs.current.in_phase, lagging: -inputs.current.lagging };
        regulation.compensator.relay_voltage(inputs.source_voltage_v, current)
    } else {
        regulation.compensator.relay_voltage(inputs.load_voltage_v, inputs.current)
    };
    let deviation = voltage - regulation.set_voltage_v;
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
