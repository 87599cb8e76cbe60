//! A plain large fleet for load tests: no stories, nothing unusual, many sockets.

use regulator::Timestamp;

use crate::Fleet;
use crate::demand::Customers::Homes;
use crate::layout::Layout::{SingleBits, SingleFloat};
use crate::plan::{BankSpec, FeederSpec, Service, Stop, Wire, build, stop, utility};
use crate::stories::Happenings;

const STOPS_A_FEEDER: usize = 3;
const FEEDERS_A_SUBSTATION: usize = 8;

impl Fleet {
    /// A fleet of `regulators` single-phase units, spread evenly over `endpoints` (at least one, at most 255 units behind
    /// each). It has the same physics as any fleet, and cannot be restored from a snapshot.
    ///
    /// # Panics
    /// If more than 255 regulators would have to answer behind one endpoint.
    #[must_use]
    pub fn synthetic(regulators: usize, endpoints: usize, seed: u64, start: Timestamp) -> Self {
        let endpoints = endpoints.clamp(1, regulators.max(1));
        let feeders: Vec<_> =
            (0..regulators.div_ceil(STOPS_A_FEEDER)).map(|f| feeder(f, regulators)).collect();
        let mut plan = build(seed, utility::TIME_ZONE, utility::ORIGIN, &feeders);
        for (number, unit) in plan.regulators.iter_mut().enumerate() {
            unit.endpoint = number % endpoints;
            let behind = u8::try_from(number / endpoints + 1).expect("at most 255 units behind an endpoint");
            unit.unit = behind.into();
        }
        plan.endpoints = endpoints;
        Self::of(plan, Happenings::none(start), seed, start)
    }
}

fn feeder(number: usize, regulators: usize) -> FeederSpec {
    let first = number * STOPS_A_FEEDER;
    let substation = number / FEEDERS_A_SUBSTATION;
    FeederSpec {
        substation: format!("Grid {}", substation + 1),
        name: format!("Row {}", number + 1),
        service: Service::KV_12,
        leaves: latitude_and_heading(substation, number),
        stops: (first..regulators.min(first + STOPS_A_FEEDER)).map(plot).collect(),
    }
}

#[allow(clippy::cast_precision_loss, reason = "a few thousand")]
fn latitude_and_heading(substation: usize, feeder: usize) -> (f64, f64, f64) {
    let (row, column) = ((substation / 12) as f64, (substation % 12) as f64);
    let heading = 360.0 / FEEDERS_A_SUBSTATION as f64 * (feeder % FEEDERS_A_SUBSTATION) as f64;
    (utility::ORIGIN.0 + 0.4 * row, utility::ORIGIN.1 - 0.4 * column, heading)
}

fn plot(number: usize) -> Stop {
    let layout = if number.is_multiple_of(2) { SingleFloat } else { SingleBits };
    let bank = BankSpec::Single(number % 3, layout);
    stop(format!("Plot {}", number + 1), bank, 100.0, 4.0, Wire::Heavy).serves(Homes, 260.0)
}
