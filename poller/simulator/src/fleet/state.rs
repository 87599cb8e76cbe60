//! What time changes, and keeping it for a second start.

use rand::{Rng, SeedableRng};
use rand_pcg::Pcg32;
use regulator::Timestamp;
use regulator::control::{Control, ControlSettings};
use serde::{Deserialize, Serialize};

use super::{Fleet, Scratch};
use crate::chance::Wander;
use crate::plan::{Plan, utility};
use crate::sky::Clouds;
use crate::stories::Happenings;

/// Everything that changes as time passes.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct State {
    pub(crate) seed: u64,
    pub(crate) start: Timestamp,
    pub(crate) now: Timestamp,
    /// Whether the control that is to be replaced has been.
    pub(crate) exchanged: bool,
    /// Whether the pulse that is to be missed has been, or will be at the next operation.
    pub(crate) slipped: bool,
    /// Whether the end of a feeder is fed from its other side.
    pub(crate) refed: bool,
    pub(crate) random: Pcg32,
    pub(crate) buses: Vec<BusState>,
    /// How far each node's load is from its shape, per unit, by phase.
    pub(crate) loads: Vec<[Wander; 3]>,
    /// Light on each plant, per unit, as its area has taken it in.
    pub(crate) light: Vec<f64>,
    pub(crate) units: Vec<UnitState>,
}

/// A substation's bus.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct BusState {
    /// Of all phases together, slow.
    pub(crate) common: Wander,
    /// By phase, quicker.
    pub(crate) phases: [Wander; 3],
}

/// One regulator and its control.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct UnitState {
    pub(crate) tap: i32,
    /// Operations as its counter has counted them, never wrapped.
    pub(crate) counted: u64,
    pub(crate) control: Control,
    pub(crate) manual: bool,
    /// When the drive last began to move.
    pub(crate) moved_at: Option<Timestamp>,
    /// The motor does not turn, whatever it is told.
    pub(crate) stuck: bool,
    /// The next pulse of the position sensor will be missed.
    pub(crate) pulse_missed: bool,
    /// Reported tap less the true one.
    pub(crate) slipped: i32,
    /// Compensator R and X have been entered in each other's place.
    pub(crate) crossed: bool,
    /// V on the 120 V base.
    pub(crate) source_v: f64,
    pub(crate) load_v: f64,
    /// Load-side primary amperes: in phase, and lagging.
    pub(crate) in_phase_a: f64,
    pub(crate) lagging_a: f64,
}

impl UnitState {
    /// The mechanism does what the control tells it, if it can. Its counter counts what the drive has done, so a motor that does not
    /// turn counts nothing; the position sensor puts itself right at neutral.
    pub(crate) fn operate(&mut self, steps: i32, now: Timestamp) {
        if steps == 0 || self.stuck {
            return;
        }
        self.moved_at = Some(now);
        self.tap += steps;
        self.counted += u64::from(steps.unsigned_abs());
        if std::mem::take(&mut self.pulse_missed) {
            self.slipped -= steps;
        }
        if self.tap == 0 {
            self.slipped = 0;
        }
    }

    /// The settings in force.
    pub(crate) fn settings(&self, planned: &ControlSettings) -> ControlSettings {
        let mut settings = *planned;
        if self.crossed {
            let compensator = &mut settings.forward.compensator;
            std::mem::swap(&mut compensator.resistance_v, &mut compensator.reactance_v);
        }
        settings
    }
}

impl State {
    pub(crate) fn new(plan: &Plan, seed: u64, start: Timestamp) -> Self {
        let unit = |first: u64| UnitState {
            tap: 0,
            counted: first,
            control: Control::new(),
            manual: false,
            moved_at: None,
            stuck: false,
            pulse_missed: false,
            slipped: 0,
            crossed: false,
            source_v: 120.0,
            load_v: 120.0,
            in_phase_a: 0.0,
            lagging_a: 0.0,
        };
        let mut random = Pcg32::seed_from_u64(seed);
        // Two draws apart from the seed's own neighbourhood.
        random.next_u64();
        Self {
            seed,
            start,
            now: start,
            exchanged: false,
            slipped: false,
            refed: false,
            random,
            buses: vec![BusState::default(); plan.substations.len()],
            loads: vec![<[Wander; 3]>::default(); plan.nodes.len()],
            light: vec![0.0; plan.plants.len()],
            units: plan.regulators.iter().map(|u| unit(u.first_count)).collect(),
        }
    }
}

/// The state of a fleet, to be kept and restored: taps, counters, weather and chance go on where they stopped.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Snapshot {
    version: u32,
    state: State,
}

/// The version of the plan and of the state's form; a snapshot of another one is of no use.
const VERSION: u32 = 2;

/// A snapshot that does not fit this program's fleet.
#[derive(Debug, thiserror::Error)]
#[error(
    "the kept state of the simulated fleet is of another version ({found}, this program's is {VERSION}); start a new fleet"
)]
pub struct RestoreError {
    found: u32,
}

impl Fleet {
    /// The state as it stands.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        Snapshot { version: VERSION, state: self.state.clone() }
    }

    /// The fictional utility as it stood when the snapshot was taken.
    ///
    /// # Errors
    /// If the snapshot is of another version of the program's fleet.
    pub fn restore(snapshot: Snapshot) -> Result<Self, RestoreError> {
        let Snapshot { version, state } = snapshot;
        let plan = utility::plan(state.seed);
        let fits = version == VERSION
            && state.units.len() == plan.regulators.len()
            && state.loads.len() == plan.nodes.len()
            && state.light.len() == plan.plants.len()
            && state.buses.len() == plan.substations.len();
        if !fits {
            return Err(RestoreError { found: version });
        }
        let happenings = Happenings::of_the_utility(&plan, state.start);
        let scratch = Scratch::new(&plan);
        let clouds = Clouds::new(state.seed);
        Ok(Self { plan, state, happenings, clouds, scratch })
    }
}
