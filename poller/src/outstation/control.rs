//! One control behind an endpoint: from its reports to readings of its regulators.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::TimeDelta;
use dnp3::application::Fragment;
use dnp3::link::Address;
use dnp3::master::{AssociationConfig, Classes, EventPoll, Task};
use dnp3::objects::{Class, CommonTime, Kind, Meaning, Point, Points, Time, read_time};
use regulator::{Quality, Quantity, Reading, TimeSource, Timestamp};

use super::image::Image;
use super::instant::{Instants, Trust};
use crate::endpoint::{RegulatorPlan, UnitPlan};
use crate::profile::{ObjectPoint, Profile, Validator, object};

/// A value lasts so many of its polls.
const POLLS: i32 = 10;
const LEAST: TimeDelta = TimeDelta::minutes(1);

/// One control.
pub(super) struct Control {
    pub(super) unit: u16,
    pub(super) trust: Trust,
    /// What of its last answer could not be read.
    pub(super) unreadable: Option<String>,
    profile: Arc<Profile>,
    /// Which of the profile's objects are reported at each place.
    places: HashMap<(Kind, u16), Vec<usize>>,
    regulators: Vec<Regulator>,
    config: AssociationConfig,
}

struct Regulator {
    plan: RegulatorPlan,
    image: Image,
    validator: Validator,
    /// Of the last reading in order.
    last: Option<Timestamp>,
}

/// One report of one quantity.
struct Change {
    regulator: usize,
    quantity: Quantity,
    value: (Option<f64>, Quality),
    lasts: TimeDelta,
}

impl Control {
    /// The control, or why it cannot be polled.
    pub(super) fn new(plan: UnitPlan) -> Result<Self, String> {
        let profile = plan.profile.map_err(|errors| format!("wrong profile: {errors}"))?;
        if profile.objects.is_empty() {
            return Err(format!(
                "the profile of outstation {} is for Modbus; give it one with protocol = \"dnp3\"",
                plan.unit
            ));
        }
        let outstation = Address::device(plan.unit)
            .ok_or_else(|| format!("{} is not the address of an outstation; use 0 to 65519", plan.unit))?;
        let unmapped = plan.regulators.iter().find(|r| !profile.positions().contains(&r.position));
        if let Some(regulator) = unmapped {
            return Err(format!(
                "the profile of outstation {} has no points for position {}; correct the position in the inventory, or add points",
                plan.unit, regulator.position
            ));
        }
        let mut places: HashMap<(Kind, u16), Vec<usize>> = HashMap::new();
        for (i, point) in profile.objects.iter().enumerate() {
            places.entry((point.kind, point.index)).or_default().push(i);
        }
        let mut config = AssociationConfig::new(outstation, plan.interval);
        if !plan.link.event_polls.is_empty() {
            config.event_polls.clone_from(&plan.link.event_polls);
        }
        config.integrity_period = plan.link.integrity;
        config.unsolicited = plan.link.unsolicited;
        config.time_sync = plan.link.time_sync;
        let regulators = plan.regulators.into_iter().map(|plan| Regulator {
            validator: Validator::new(&plan.nameplate),
            plan,
            image: Image::default(),
            last: None,
        });
        Ok(Self {
            unit: plan.unit,
            trust: Trust::default(),
            unreadable: None,
            regulators: regulators.collect(),
            profile,
            places,
            config,
        })
    }

    /// How the master is to treat it.
    pub(super) const fn config(&self) -> &AssociationConfig {
        &self.config
    }

    /// Takes in a fragment; returns the readings that its events make, in order of time, each with its regulator.
    pub(super) fn arrived(&mut self, fragment: &Fragment<'_>, arrival: Timestamp) -> Vec<(i32, Reading)> {
        let (mut events, mut present) = (vec![], vec![]);
        let mut common: CommonTime = None;
        for block in fragment.blocks().map_while(Result::ok) {
            if let Meaning::CommonTime { synchronised } = block.shape.meaning {
                common = read_time(&block).map(|at| Time { at, synchronised: Some(synchronised) });
            }
            for point in Points::of(&block, common) {
                let at = self.trust.instant(point.time, arrival);
                let into = if point.event { &mut events } else { &mut present };
                into.extend(self.changes(&point).map(|change| (at, change)));
            }
        }
        let mut readings: Vec<(i32, Reading)> = vec![];
        let placed =
            Instants::new(arrival).place(events, |change: &Change| (change.regulator, change.quantity));
        for together in placed.chunk_by(|a, b| a.at == b.at) {
            let (at, source) = (together[0].at, together[0].source);
            let mut touched: Vec<(usize, Vec<&Change>)> = vec![];
            for placed in together {
                let regulator = placed.change.regulator;
                match touched.iter_mut().find(|(number, _)| *number == regulator) {
                    Some((_, changes)) => changes.push(&placed.change),
                    None => touched.push((regulator, vec![&placed.change])),
                }
            }
            for (number, changes) in touched {
                let regulator = &mut self.regulators[number];
                readings.push((regulator.plan.regulator_id, regulator.changed(&changes, at, source)));
            }
        }
        for (at, change) in present {
            let image = &mut self.regulators[change.regulator].image;
            image.take(change.quantity, change.value, at.unwrap_or(arrival), change.lasts);
            image.unchanged(change.quantity, arrival);
        }
        readings
    }

    /// A poll is done: what it asked for and brought no report of has not changed. Returns a reading of each regulator.
    pub(super) fn polled(&mut self, task: Task, now: Timestamp) -> Vec<(i32, Reading)> {
        let asked = match task {
            Task::Integrity => Classes::ALL,
            Task::Static => Classes::STATIC,
            Task::Events(poll) => self.config.event_polls.get(poll).map_or(Classes::default(), |p| p.classes),
            _ => return vec![],
        };
        for point in &self.profile.objects {
            let Some(class) = point.class.filter(|class| asked.contains(*class)) else { continue };
            debug_assert_ne!(class, Class::Zero);
            for regulator in self.regulators.iter_mut().filter(|r| r.plan.position == point.position) {
                regulator.image.unchanged(point.quantity, now);
            }
        }
        let known = self.regulators.iter_mut().filter(|r| !r.image.is_empty());
        known.map(|r| (r.plan.regulator_id, r.reading(now, TimeSource::Poller))).collect()
    }

    /// What a report says of the regulators here.
    fn changes(&self, point: &Point<'_>) -> impl Iterator<Item = Change> {
        let objects = self.places.get(&(point.kind, point.index)).map_or(&[][..], Vec::as_slice);
        objects.iter().filter_map(move |i| {
            let object = &self.profile.objects[*i];
            let regulator = self.regulators.iter().position(|r| r.plan.position == object.position)?;
            let nameplate = &self.regulators[regulator].plan.nameplate;
            let value = object::value_on(object, point.value, point.flags, nameplate);
            Some(Change { regulator, quantity: object.quantity, value, lasts: self.lasts(object) })
        })
    }

    /// How long a value of a point is good without word of it.
    fn lasts(&self, point: &ObjectPoint) -> TimeDelta {
        let polls = self.config.event_polls.iter();
        let polled = |poll: &&EventPoll| point.class.is_some_and(|class| poll.classes.contains(class));
        let period = polls.filter(polled).map(|p| p.period).min().unwrap_or(self.config.integrity_period);
        let rounds = if point.class.is_some() { POLLS } else { 2 };
        TimeDelta::from_std(period).map_or(TimeDelta::days(1), |period| (period * rounds).max(LEAST))
    }
}

impl Regulator {
    /// The reading of an instant at which something changed.
    fn changed(&mut self, changes: &[&Change], at: Timestamp, source: TimeSource) -> Reading {
        let mut late = vec![];
        for change in changes {
            if !self.image.take(change.quantity, change.value, at, change.lasts) {
                late.push(change);
            }
        }
        let mut reading = self.reading(at, source);
        // what has changed since is not in the image any more, but this is what it was then
        for change in late {
            reading.set(change.quantity, change.value.0, change.value.1);
        }
        reading
    }

    fn reading(&mut self, at: Timestamp, source: TimeSource) -> Reading {
        let mut reading = self.image.at(at, source);
        // the past is not judged by what came after it
        if self.last.is_none_or(|last| last < at) {
            self.last = Some(at);
            self.validator.judge_reported(&mut reading);
        }
        reading
    }
}
