//! What is built where: substations, lines, customers, panels, regulators and the endpoints they answer at.
//!
//! A plan never changes while the fleet runs; what does is in [`crate::fleet`]. [`utility`] holds the fictional utility as
//! data, [`build`] turns such data into a plan, [`crate::stories`] says what is waiting to be found in it.

mod build;
mod equipment;
pub(crate) mod utility;

pub(crate) use build::{Bank as BankSpec, Feeder as FeederSpec, Stop, build, stop, village};
pub(crate) use equipment::{Service, Wire};

use chrono_tz::Tz;
use regulator::control::ControlSettings;
use regulator::{Connection, Nameplate, Phase};

use crate::demand::Customers;
use crate::layout::Layout;
use crate::sky::Place;

/// Everything that is built.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) time_zone: Tz,
    /// Where sun and clouds are computed for, degrees.
    pub(crate) origin: (f64, f64),
    pub(crate) substations: Vec<Substation>,
    pub(crate) feeders: Vec<Feeder>,
    pub(crate) sites: Vec<Site>,
    pub(crate) banks: Vec<Bank>,
    /// Upstream before downstream.
    pub(crate) nodes: Vec<Node>,
    pub(crate) plants: Vec<Plant>,
    pub(crate) regulators: Vec<Unit>,
    pub(crate) endpoints: usize,
    /// The end of a feeder that can be fed from its other side.
    pub(crate) refeed: Option<Refeed>,
}

impl Plan {
    /// Numbers of a site's regulators.
    pub(crate) fn regulators_at(&self, site: &str) -> Vec<usize> {
        let here = |u: &usize| self.sites[self.banks[self.regulators[*u].bank].site].name == site;
        (0..self.regulators.len()).filter(here).collect()
    }
}

/// Two nodes, the second at a feeder's end: the line can be opened above the first while a tie feeds the second.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Refeed {
    pub(crate) between: usize,
    pub(crate) end: usize,
}

#[derive(Debug, Clone)]
pub(crate) struct Substation {
    pub(crate) name: String,
    /// What its bus is held near, V on the 120 V base.
    pub(crate) bus_v: f64,
}

#[derive(Debug, Clone)]
pub(crate) struct Feeder {
    pub(crate) name: String,
    pub(crate) substation: usize,
}

#[derive(Debug, Clone)]
pub(crate) struct Site {
    pub(crate) name: String,
    pub(crate) feeder: usize,
    pub(crate) latitude: f64,
    pub(crate) longitude: f64,
}

#[derive(Debug, Clone)]
pub(crate) struct Bank {
    pub(crate) site: usize,
    pub(crate) connection: Connection,
    /// Its regulators, next to one another in the plan.
    pub(crate) first: usize,
    pub(crate) count: usize,
    /// One control moves all its regulators together, by what it measures on the first.
    pub(crate) ganged: bool,
}

/// A point of a feeder: the line to it, the bank at the line's end, and what hangs behind the bank.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    pub(crate) substation: usize,
    pub(crate) parent: Option<usize>,
    /// Volts on the 120 V base that one ampere in phase, and one lagging, drop along the line to it.
    pub(crate) drop_per_ampere: (f64, f64),
    pub(crate) customers: Customers,
    /// Amperes at peak demand, by phase: in phase with the voltage, and lagging.
    pub(crate) peak_a: [(f64, f64); 3],
    pub(crate) bank: Option<usize>,
}

/// Panels behind one node.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    pub(crate) node: usize,
    /// Amperes at rated output, by phase.
    pub(crate) rated_a: [f64; 3],
    /// Where the panels are: one place for a plant, several for the roofs of a district.
    pub(crate) places: Vec<Place>,
    /// How long its area takes to go dark, seconds.
    pub(crate) lag_s: f64,
}

/// One regulator and its control.
#[derive(Debug, Clone)]
pub(crate) struct Unit {
    pub(crate) bank: usize,
    pub(crate) phase: Phase,
    /// Which of the three conductors, or conductor pairs, it is in.
    pub(crate) conductor: usize,
    pub(crate) nameplate: Nameplate,
    pub(crate) settings: ControlSettings,
    pub(crate) endpoint: usize,
    pub(crate) unit: u16,
    pub(crate) position: u8,
    pub(crate) layout: Layout,
    /// Primary volts per volt on the 120 V base.
    pub(crate) volts_per_v: f64,
    /// Volts on the 120 V base that its own impedance drops at rated current.
    pub(crate) series_drop_v: f64,
    /// Errors of its instrument transformers, per unit: source PT, load PT, CT.
    pub(crate) errors: [f64; 3],
    /// Distortion of voltage that converters behind it add at rated current, %.
    pub(crate) distortion_percent: f64,
    /// What its counter showed at the start.
    pub(crate) first_count: u64,
}

impl Unit {
    /// The CT's rated primary current: 0.2 A on the secondary side, by common practice.
    pub(crate) fn ct_primary_a(&self) -> f64 {
        self.nameplate.ct_ratio * 0.2
    }
}
