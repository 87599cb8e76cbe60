//! From a short description of feeders to a plan: impedances, currents by phase, addresses, metering errors.

use chrono_tz::Tz;
use regulator::compensator::Compensator;
use regulator::control::{ControlSettings, Regulation, ReverseBehaviour};
use regulator::{Connection, Phase};

use super::equipment::nameplate;
use super::{Feeder as PlannedFeeder, Node, Plan, Plant, Service, Site, Substation, Unit, Wire};
use crate::chance::{hash, hash2, uniform};
use crate::demand::Customers;
use crate::layout::Layout;
use crate::sky::Place;

/// Which regulators stand at a stop, and how they answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bank {
    /// Three, one control for all, each phase by itself.
    OneControl(Layout),
    /// Three, one control, moved together.
    Ganged(Layout),
    /// Three controls behind one gateway.
    Gateway(Layout),
    /// Three controls, each with its own address.
    Separate(Layout),
    /// One regulator, on phase A, B or C.
    Single(usize, Layout),
    /// Two, line to line, behind one gateway.
    OpenDelta(Layout),
    /// None: customers along the line.
    None,
}

/// One stop along a feeder.
#[derive(Debug, Clone)]
pub(crate) struct Stop {
    site: String,
    bank: Bank,
    rated_current_a: f64,
    km: f64,
    wire: Wire,
    customers: Customers,
    peak_kw: f64,
    panels_kw: f64,
    /// Extent of the panels, km: small for one plant, large for roofs.
    panels_km: f64,
    /// How many stops back the line comes from; 1 is the one before.
    back: usize,
    bandwidth_v: f64,
    delay_s: f64,
    set_voltage_v: f64,
    compensator: Compensator,
    range: i32,
    /// How far its phases' loads lie apart, per unit.
    unbalance: f64,
    first_count: Option<u64>,
    distortion_percent: f64,
}

/// A stop with common settings: homes, 122 V, 2.5 V wide, 45 s.
pub(crate) fn stop(site: impl Into<String>, bank: Bank, rated_current_a: f64, km: f64, wire: Wire) -> Stop {
    Stop {
        site: site.into(),
        bank,
        rated_current_a,
        km,
        wire,
        customers: Customers::Homes,
        peak_kw: 0.0,
        panels_kw: 0.0,
        panels_km: 0.0,
        back: 1,
        bandwidth_v: 2.5,
        delay_s: 45.0,
        set_voltage_v: 122.0,
        compensator: Compensator::OFF,
        range: 16,
        unbalance: 0.12,
        first_count: None,
        distortion_percent: 0.0,
    }
}

#[rustfmt::skip]
impl Stop {
    /// Customers behind it and before the next stop, kW over all phases at peak.
    pub(crate) fn serves(self, customers: Customers, peak_kw: f64) -> Self { Self { customers, peak_kw, ..self } }
    /// Panels behind it, kW over all phases, spread over this many km.
    pub(crate) fn panels(self, panels_kw: f64, panels_km: f64) -> Self { Self { panels_kw, panels_km, ..self } }
    /// The line comes from this many stops back.
    pub(crate) fn from(self, back: usize) -> Self { Self { back, ..self } }
    /// Set voltage, bandwidth and delay.
    pub(crate) fn holds(self, set_voltage_v: f64, bandwidth_v: f64, delay_s: f64) -> Self {
        Self { set_voltage_v, bandwidth_v, delay_s, ..self }
    }
    /// Line-drop compensator.
    pub(crate) fn compensates(self, resistance_v: f64, reactance_v: f64) -> Self {
        Self { compensator: Compensator { resistance_v, reactance_v }, ..self }
    }
    /// Its phases' loads lie this far from their mean at most, per unit.
    pub(crate) fn unbalanced(self, unbalance: f64) -> Self { Self { unbalance, ..self } }
    /// Only so many steps up and down are permitted.
    pub(crate) fn limited_to(self, range: i32) -> Self { Self { range, ..self } }
    /// Converters behind it distort the voltage by so much at rated current, %.
    pub(crate) fn distorts(self, percent: f64) -> Self { Self { distortion_percent: percent, ..self } }
    /// What the counters showed at the start.
    pub(crate) fn counted(self, first: u64) -> Self { Self { first_count: Some(first), ..self } }
}

/// Customers along the line, without a regulator.
pub(crate) fn village(km: f64, wire: Wire) -> Stop {
    stop("", Bank::None, 0.0, km, wire)
}

/// A feeder and its stops, upstream first.
#[derive(Debug, Clone)]
pub(crate) struct Feeder {
    pub(crate) substation: String,
    pub(crate) name: String,
    pub(crate) service: Service,
    /// Where it leaves the substation, degrees, and which way it runs, degrees from north.
    pub(crate) leaves: (f64, f64, f64),
    pub(crate) stops: Vec<Stop>,
}

struct Builder {
    plan: Plan,
    seed: u64,
}

/// Builds the plan. Everything drawn by chance here depends on the seed alone.
pub(crate) fn build(seed: u64, time_zone: Tz, origin: (f64, f64), feeders: &[Feeder]) -> Plan {
    let plan = Plan {
        time_zone,
        origin,
        substations: Vec::new(),
        feeders: Vec::new(),
        sites: Vec::new(),
        banks: Vec::new(),
        nodes: Vec::new(),
        plants: Vec::new(),
        regulators: Vec::new(),
        endpoints: 0,
        refeed: None,
    };
    let mut builder = Builder { plan, seed };
    for feeder in feeders {
        builder.feeder(feeder);
    }
    builder.plan
}

impl Builder {
    /// Uniform between -1 and 1, by purpose and number.
    fn draw(&self, purpose: u64, number: usize) -> f64 {
        2.0 * uniform(hash2(self.seed ^ hash(purpose), number as u64)) - 1.0
    }

    fn feeder(&mut self, spec: &Feeder) {
        let substation = self.substation(&spec.substation);
        let feeder = self.plan.feeders.len();
        self.plan.feeders.push(PlannedFeeder { name: spec.name.clone(), substation });
        let first = self.plan.nodes.len();
        let mut distance_km = Vec::new();
        for (index, stop) in spec.stops.iter().enumerate() {
            let upstream = index.checked_sub(stop.back);
            let km = stop.km + upstream.map_or(0.0, |i: usize| distance_km[i]);
            distance_km.push(km);
            let node = self.plan.nodes.len();
            let site = (stop.bank != Bank::None).then(|| self.site(spec, stop, feeder, km, index));
            let bank = site.map(|site| self.bank(spec.service, stop, site));
            let (r, x) = stop.wire.ohm_per_km();
            let per_v = stop.km / spec.service.volts_per_v();
            self.plan.nodes.push(Node {
                substation,
                parent: upstream.map(|i| first + i),
                drop_per_ampere: (r * per_v, x * per_v),
                customers: stop.customers,
                peak_a: self.currents(spec.service, stop, node),
                bank,
            });
            if let Some(site) = site
                && stop.panels_kw > 0.0
            {
                self.plant(spec.service, stop, node, site);
            }
        }
    }

    fn substation(&mut self, name: &str) -> usize {
        let known = self.plan.substations.iter().position(|s| s.name == name);
        known.unwrap_or_else(|| {
            let number = self.plan.substations.len();
            let bus_v = 122.8 + 0.5 * self.draw(1, number);
            self.plan.substations.push(Substation { name: name.to_owned(), bus_v });
            number
        })
    }

    /// Roads bend: each stop lies a little off the feeder's heading.
    fn site(&mut self, spec: &Feeder, stop: &Stop, feeder: usize, km: f64, index: usize) -> usize {
        let (latitude, longitude, heading) = spec.leaves;
        let off = if stop.back > 1 { 55.0 } else { 12.0 };
        let heading = (heading + off * self.draw(2, 100 * feeder + index)).to_radians();
        let round = |degrees: f64| (degrees * 1e5).round() / 1e5;
        self.plan.sites.push(Site {
            name: stop.site.clone(),
            feeder,
            latitude: round(latitude + km * heading.cos() / 111.2),
            longitude: round(longitude + km * heading.sin() / (111.2 * latitude.to_radians().cos())),
        });
        self.plan.sites.len() - 1
    }

    /// Peak amperes by phase; phases are loaded unequally, and a single-phase stop loads one.
    fn currents(&self, service: Service, stop: &Stop, node: usize) -> [(f64, f64); 3] {
        let lagging_per_in_phase = match stop.customers {
            Customers::Homes => 0.25,
            Customers::Trade => 0.33,
            Customers::Pumps => 0.45,
        };
        std::array::from_fn(|conductor| {
            let share = match stop.bank {
                Bank::Single(only, _) if only == conductor => 1.0,
                Bank::Single(..) => 0.0,
                _ => (1.0 + stop.unbalance * self.draw(3, 3 * node + conductor)) / 3.0,
            };
            let in_phase = stop.peak_kw * share * 1000.0 / service.volts;
            (in_phase, in_phase * lagging_per_in_phase)
        })
    }

    fn plant(&mut self, service: Service, stop: &Stop, node: usize, site: usize) {
        let share = |c: usize| match stop.bank {
            Bank::Single(only, _) => f64::from(u8::from(only == c)),
            _ => 1.0 / 3.0,
        };
        let Site { latitude, longitude, .. } = self.plan.sites[site];
        let centre = Place::of(latitude, longitude, self.plan.origin);
        let half = stop.panels_km / 2.0;
        let offsets: &[(f64, f64)] = if half > 0.5 {
            &[(0.0, 0.0), (half, half), (-half, half), (half, -half), (-half, -half)]
        } else {
            &[(0.0, 0.0)]
        };
        let at = |&(e, n): &(f64, f64)| Place { east_km: centre.east_km + e, north_km: centre.north_km + n };
        self.plan.plants.push(Plant {
            node,
            rated_a: std::array::from_fn(|c| stop.panels_kw * share(c) * 1000.0 / service.volts),
            places: offsets.iter().map(at).collect(),
            // A cloud's edge crosses it at about 9 m/s.
            lag_s: 15.0 + stop.panels_km * 110.0,
        });
    }

    fn bank(&mut self, service: Service, stop: &Stop, site: usize) -> usize {
        let (connection, conductors): (_, &[usize]) = match &stop.bank {
            Bank::OpenDelta(_) => (Connection::OpenDelta, &[0, 1]),
            Bank::Single(conductor, _) => (Connection::Wye, std::slice::from_ref(conductor)),
            Bank::None => (Connection::Wye, &[]),
            _ => (Connection::Wye, &[0, 1, 2]),
        };
        let bank = self.plan.banks.len();
        self.plan.banks.push(super::Bank {
            site,
            connection,
            first: self.plan.regulators.len(),
            count: conductors.len(),
            ganged: matches!(stop.bank, Bank::Ganged(_)),
        });
        for (place, &conductor) in (0_u8..).zip(conductors) {
            let unit = self.unit(service, stop, bank, conductor, place);
            self.plan.regulators.push(unit);
        }
        bank
    }

    fn unit(&mut self, service: Service, stop: &Stop, bank: usize, conductor: usize, place: u8) -> Unit {
        let number = self.plan.regulators.len();
        let (layout, unit, position, own_address) = match stop.bank {
            Bank::None => unreachable!("it has no conductors"),
            Bank::OneControl(layout) | Bank::Ganged(layout) => (layout, 1, place + 1, place == 0),
            Bank::Gateway(layout) | Bank::OpenDelta(layout) => (layout, u16::from(place) + 1, 1, place == 0),
            Bank::Separate(layout) | Bank::Single(_, layout) => (layout, 1, 1, true),
        };
        self.plan.endpoints += usize::from(own_address);
        let mut nameplate = nameplate(service, stop.rated_current_a);
        nameplate.counter_modulus = layout.counter_modulus();
        (nameplate.tap_min, nameplate.tap_max) = (-stop.range, stop.range);
        let phases = if service.three_wire {
            [Phase::AB, Phase::BC, Phase::CA]
        } else {
            [Phase::A, Phase::B, Phase::C]
        };
        Unit {
            bank,
            phase: phases[conductor],
            conductor,
            settings: settings(stop),
            endpoint: self.plan.endpoints - 1,
            unit,
            position,
            layout,
            volts_per_v: service.volts_per_v(),
            series_drop_v: 0.25,
            // Accuracy class 0.3 of IEEE C57.13 for the voltages, 0.6 for the current.
            errors: [
                0.002 * self.draw(4, number),
                0.002 * self.draw(5, number),
                0.005 * self.draw(6, number),
            ],
            distortion_percent: stop.distortion_percent,
            first_count: stop
                .first_count
                .map(|c| c + 9 * u64::from(place))
                .unwrap_or(4_000 + hash2(self.seed ^ 0xC0, number as u64) % 38_000),
            nameplate,
        }
    }
}

fn settings(stop: &Stop) -> ControlSettings {
    let forward = Regulation {
        set_voltage_v: stop.set_voltage_v,
        bandwidth_v: stop.bandwidth_v,
        delay_s: stop.delay_s,
        compensator: stop.compensator,
    };
    ControlSettings {
        forward,
        reverse: Regulation { compensator: Compensator::OFF, ..forward },
        reverse_behaviour: ReverseBehaviour::KeepForward,
        tap_min: -stop.range,
        tap_max: stop.range,
        ..ControlSettings::common()
    }
}
