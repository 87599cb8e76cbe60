//! One control on its way through a recording, sample by sample or passing over those at which it rests.

use super::model::TapTable;
use super::recording::Stretch;
use super::replay::Replay;
use super::scan::Narrow;
use super::track::{Move, Track};
use crate::compensator::Compensator;
use crate::control::{Control, ControlSettings, Inputs, ReverseBehaviour, TapCommand};

/// Whether a control with these settings needs to know the current.
pub(super) fn needs_current(settings: &ControlSettings) -> bool {
    settings.forward.compensator != Compensator::OFF
        || settings.reverse_behaviour != ReverseBehaviour::KeepForward
}

/// One control on its way through a recording.
pub(super) struct Run<'r> {
    replay: &'r Replay<'r>,
    settings: &'r ControlSettings,
    table: TapTable,
    pub(super) control: Control,
    pub(super) tap: i32,
    looked_at_s: f64,
    needs_current: bool,
    automatic: bool,
    /// Blocked, or without a current that it needs.
    pub(super) held: bool,
    /// What a regulator upstream makes of the source voltage.
    pub(super) upstream: f64,
    track: &'r mut Track,
}

impl<'r> Run<'r> {
    pub(super) fn new(replay: &'r Replay<'r>, settings: &'r ControlSettings, track: &'r mut Track) -> Self {
        let start = replay.recording.tap.first().map_or(0, |tap| i32::from(*tap));
        track.start = start;
        track.moves.clear();
        Self {
            replay,
            settings,
            table: replay.table(settings),
            control: Control::new(),
            tap: start,
            looked_at_s: replay.recording.at_s.first().copied().unwrap_or(0.0),
            needs_current: needs_current(settings),
            automatic: true,
            held: false,
            upstream: 1.0,
            track,
        }
    }

    pub(super) fn enter(&mut self, stretch: &Stretch) {
        self.automatic = stretch.automatic;
        self.held = stretch.blocked || (self.needs_current && !stretch.current_known);
        if stretch.after_gap {
            self.control = Control::new();
            self.looked_at_s = self.replay.recording.at_s[stretch.first];
        }
    }

    pub(super) fn look_at_all(&mut self, stretch: &Stretch) {
        for i in stretch.first..stretch.end {
            self.look(i);
        }
    }

    /// Passes over samples at which the control surely rests, where it can, and looks at the others.
    #[inline]
    pub(super) fn pass(&mut self, stretch: &Stretch, narrow: &Narrow) {
        if stretch.automatic && !self.held {
            self.pass_quickly(stretch, narrow);
        } else {
            self.look_at_all(stretch);
        }
    }

    fn pass_quickly(&mut self, stretch: &Stretch, narrow: &Narrow) {
        let mut i = stretch.first;
        while i < stretch.end {
            if self.control.is_idle() && !(narrow.features.reversal && self.control.reversed()) {
                let doubtful = narrow.first_doubtful(self.replay, i, stretch.end, self.table.at(self.tap));
                self.remember(i, doubtful);
                i = doubtful;
                if i == stretch.end {
                    break;
                }
            }
            self.look(i);
            i += 1;
        }
    }

    /// Samples that are surely in band: all that a widening band takes from them is how the voltage ramps.
    fn remember(&mut self, from: usize, end: usize) {
        let Some(widening) = &self.settings.widening else { return };
        let (at, compensator) = (self.table.at(self.tap), self.settings.forward.compensator);
        let at_s = &self.replay.recording.at_s[from..end];
        let elapsed_s = at_s.iter().map(|at_s| at_s - std::mem::replace(&mut self.looked_at_s, *at_s));
        if compensator == Compensator::OFF && !self.replay.model.has_impedance() {
            // As below; the currents, which do not matter, are not fetched.
            let relay_v = self.replay.source_v[from..end].iter().map(|v| f64::from(*v) * at.ratio);
            self.control.rest_in_band(widening, self.tap, elapsed_s.zip(relay_v));
        } else {
            let relay_v = (from..end).map(|i| {
                let (_, load_v, current) = self.replay.state(i, at, 1.0);
                compensator.relay_voltage(load_v, current)
            });
            self.control.rest_in_band(widening, self.tap, elapsed_s.zip(relay_v));
        }
    }

    #[inline(always)]
    fn inputs(&self, i: usize) -> Inputs {
        let (source_v, load_voltage_v, current) =
            self.replay.state(i, self.table.at(self.tap), self.upstream);
        let mut inputs = Inputs {
            load_voltage_v,
            source_voltage_v: source_v,
            current,
            tap: self.tap,
            automatic: self.automatic,
            blocked: self.held,
        };
        if self.control.would_regulate_source(self.settings, current.in_phase) {
            let measured_v = self.replay.source_seen_v(i, source_v);
            inputs.blocked |= measured_v.is_none();
            inputs.source_voltage_v = measured_v.unwrap_or(source_v);
        }
        inputs
    }

    /// Looks at sample `i`, and on until the next one if it taps.
    #[inline(always)]
    pub(super) fn look(&mut self, i: usize) {
        let at_s = self.replay.recording.at_s[i];
        if !self.automatic {
            self.follow(i, i32::from(self.replay.recording.tap[i]));
        }
        let elapsed_s = at_s - self.looked_at_s;
        self.looked_at_s = at_s;
        let inputs = self.inputs(i);
        let command = self.control.look(self.settings, elapsed_s, &inputs);
        if command != TapCommand::Hold {
            self.move_on(i, command);
        }
    }

    /// Moves the tap, and on as long as the control says so before the next sample.
    #[inline(never)]
    fn move_on(&mut self, i: usize, mut command: TapCommand) {
        let recording = self.replay.recording;
        let next_s = recording.at_s[i] + f64::from(recording.hold_s[i]);
        let inter_tap_s = self.settings.inter_tap_s;
        while command != TapCommand::Hold {
            self.tap += command.steps();
            self.track.moves.push(Move {
                sample: i,
                at_s: self.looked_at_s,
                tap: self.tap,
                by_control: true,
            });
            if inter_tap_s <= 0.0 || self.looked_at_s + inter_tap_s >= next_s {
                return;
            }
            self.looked_at_s += inter_tap_s;
            command = self.control.look(self.settings, inter_tap_s, &self.inputs(i));
        }
    }

    fn follow(&mut self, i: usize, recorded: i32) {
        if recorded != self.tap {
            self.tap = recorded;
            let at_s = self.replay.recording.at_s[i];
            self.track.moves.push(Move { sample: i, at_s, tap: recorded, by_control: false });
        }
    }
}
