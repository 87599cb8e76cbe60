//! The fleet as it runs: a plan, and the state that time changes.

mod metering;
mod physics;
mod refeed;
mod state;

use chrono::TimeDelta;
use regulator::{Reading, Timestamp};

use crate::plan::{Plan, utility};
use crate::sky::Clouds;
use crate::stories::{Happenings, Story};
use physics::Scratch;
pub(crate) use state::State;
pub use state::{RestoreError, Snapshot};

/// The longest step of the physics, seconds: shorter than any control's delay.
const LONGEST_STEP_S: i64 = 10;

/// A simulated fleet of regulators at one instant.
#[derive(Debug)]
pub struct Fleet {
    pub(crate) plan: Plan,
    pub(crate) state: State,
    pub(crate) happenings: Happenings,
    clouds: Clouds,
    scratch: Scratch,
}

impl Fleet {
    /// The fictional utility as it stands at `start`, its chances drawn from `seed`: the same seed and start give the same
    /// fleet for ever. Its stories happen at their times after `start`, and some come again every thirty days.
    #[must_use]
    pub fn new(seed: u64, start: Timestamp) -> Self {
        let plan = utility::plan(seed);
        let happenings = Happenings::of_the_utility(&plan, start);
        Self::of(plan, happenings, seed, start)
    }

    pub(crate) fn of(plan: Plan, happenings: Happenings, seed: u64, start: Timestamp) -> Self {
        let state = State::new(&plan, seed, start);
        let scratch = Scratch::new(&plan);
        let mut fleet = Self { plan, state, happenings, clouds: Clouds::new(seed), scratch };
        fleet.settle();
        fleet
    }

    /// Lets an hour pass with the clock held, so that the story does not start with a rush of taps from neutral.
    fn settle(&mut self) {
        let start = self.state.now;
        for _ in 0..360 {
            self.step(10.0);
            self.state.now = start;
        }
        for (unit, state) in self.plan.regulators.iter().zip(&mut self.state.units) {
            state.counted = unit.first_count;
        }
    }

    /// The instant it stands at.
    #[must_use]
    pub const fn now(&self) -> Timestamp {
        self.state.now
    }

    /// How many regulators there are; they are known by their number from 0 in the order of the inventory.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.plan.regulators.len()
    }

    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.plan.regulators.is_empty()
    }

    /// How many endpoints there are, known by their number from 0.
    #[must_use]
    pub const fn endpoint_count(&self) -> usize {
        self.plan.endpoints
    }

    /// Lets time pass up to `to`, in steps of at most ten seconds. An earlier instant changes nothing.
    pub fn advance_to(&mut self, to: Timestamp) {
        while self.state.now < to {
            let step = (to - self.state.now).min(TimeDelta::seconds(LONGEST_STEP_S));
            self.state.now += step;
            #[allow(clippy::cast_precision_loss, reason = "at most ten thousand")]
            self.step(step.num_milliseconds() as f64 / 1000.0);
            self.happenings.pass(&mut self.state);
        }
    }

    /// What a poller reads of this regulator now, at the resolution of its control's registers; nothing while its endpoint
    /// is out.
    #[must_use]
    pub fn reading(&self, regulator: usize) -> Option<Reading> {
        let unit = self.plan.regulators.get(regulator)?;
        let answers = !self.is_out(unit.endpoint);
        answers.then(|| unit.layout.as_polled(&self.metered(regulator)))
    }

    /// Whether this endpoint is out now.
    #[must_use]
    pub fn is_out(&self, endpoint: usize) -> bool {
        self.happenings.is_out(endpoint, self.state.now)
    }

    /// From now on the endpoint that comes and goes does so every twenty minutes, so that nobody has to wait days to see it.
    pub fn go_live(&mut self) {
        self.happenings.live = true;
    }

    /// What is waiting to be found in this fleet.
    #[must_use]
    pub fn stories(&self) -> Vec<Story> {
        self.happenings.stories(&self.plan)
    }
}
