//! From readings to wear: which operations lie between one reading and the next, and at which current.
//!
//! A change of tap is taken as steps one after the other, the shortest way. What the counter has counted beyond that is found
//! when both are at rest (see [`Ledger`]): pairs out and back, half of them to the tap above and half to the one below. A single
//! one left over, and all of a unit that reports no tap, have no place. The current is the reading's, or the last one of the hour
//! before; where there is none a share of rated current is assumed and the operation counted as such. The voltage is the
//! reading's load voltage, or the rated one.

use serde::{Deserialize, Serialize};

use super::{ContactWear, Dial, Erosion, contacts};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    mechanism::{Ledger, News, Settled, Verdict},
};

/// How long a current that was read stands in for one that was not, seconds.
const CURRENT_HOLDS_S: i64 = 3600;

/// What the wear of one unit is computed by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WearModel {
    /// The law of erosion.
    pub law: Erosion,
    /// How contacts are met below neutral.
    pub dial: Dial,
    /// Current taken where none is known, per unit of rated.
    pub assumed_current: f64,
    /// Seconds that tap and counter must be at rest before they are compared.
    pub settle_s: f64,
    modulus: u64,
    base_v: f64,
    /// Whether the unit has the 32 steps of nine contacts; if not, no operation has a place.
    known_dial: bool,
}

impl WearModel {
    /// Common values for this unit.
    #[must_use]
    pub fn common(nameplate: &Nameplate) -> Self {
        Self {
            law: Erosion::common(nameplate.rated_current_a),
            dial: Dial::default(),
            assumed_current: 0.5,
            settle_s: 60.0,
            modulus: nameplate.counter_modulus,
            base_v: nameplate.voltage_base_v,
            known_dial: nameplate.step_count == 32,
        }
    }

    /// Whether the unit has the 32 steps of nine contacts.
    #[must_use]
    pub const fn knows_dial(&self) -> bool {
        self.known_dial
    }

    fn add(&self, wear: &mut ContactWear, step: (i32, i32), times: u64, load: Load) {
        if !self.known_dial {
            wear.unplaced += times;
        } else if times > 0 {
            wear.note(&self.law, self.dial, step, times, (load.amperes, load.voltage_pu));
            wear.assumed += if load.known { 0 } else { times };
        }
    }
}

/// At what an operation was made.
#[derive(Debug, Clone, Copy)]
struct Load {
    amperes: f64,
    voltage_pu: f64,
    /// Whether the current was read, not assumed.
    known: bool,
}

/// What is remembered between readings.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WearMeter {
    ledger: Ledger,
    current: Option<(Timestamp, f64)>,
    /// Sign of the last tap off neutral.
    side: i32,
}

impl WearMeter {
    /// Takes one reading and adds what happened to `wear`. Readings come in order of time.
    pub fn observe(&mut self, model: &WearModel, reading: &Reading, wear: &mut ContactWear) {
        let news = self.read(model, reading);
        if news != News::default() {
            self.place(model, reading, news, wear);
        }
    }

    /// Takes one reading, and leaves what happened to be placed by [`WearMeter::place`] before the next.
    #[inline]
    pub(crate) fn read(&mut self, model: &WearModel, reading: &Reading) -> News {
        if let Some(amperes) = reading.good(Quantity::Current) {
            self.current = Some((reading.measured_at, amperes.abs()));
        }
        let news = self.ledger.observe(reading, model.modulus, model.settle_s);
        if news.moved.is_none() && self.side == 0 {
            self.side = self.ledger.tap().map_or(0, i32::signum);
        }
        news
    }

    /// What the counter last showed.
    #[must_use]
    pub fn counter(&self) -> Option<u64> {
        self.ledger.counter()
    }

    /// Forgets instants: they turned out to be wrong.
    pub fn forget(&mut self) {
        self.ledger.forget();
        self.current = None;
    }

    /// Adds to `wear` what a reading told.
    pub(crate) fn place(&mut self, model: &WearModel, reading: &Reading, news: News, wear: &mut ContactWear) {
        let load = self.load(model, reading);
        if let Some((from, to)) = news.moved {
            let towards = (to - from).signum();
            for i in 0..(to - from).abs() {
                let tap = from + towards * i;
                model.add(wear, (tap, tap + towards), 1, load);
            }
            if self.side == 0 {
                self.side = from.signum();
            }
            wear.reversals += u64::from(contacts::reverses(self.side, to));
            self.side = if to == 0 { self.side } else { to.signum() };
        }
        if let Some(settled) = news.settled {
            let (pairs, tap, unplaced) = beyond(settled);
            for (towards, times) in [(1, pairs.div_ceil(2)), (-1, pairs / 2)] {
                // at the end of the dial there is one neighbour only
                let beyond_end = (tap + towards).abs() > contacts::TAPS_A_SIDE;
                let other = if beyond_end { tap - towards } else { tap + towards };
                model.add(wear, (tap, other), times, load);
                model.add(wear, (other, tap), times, load);
            }
            wear.unplaced += unplaced;
        }
    }

    fn load(&self, model: &WearModel, reading: &Reading) -> Load {
        let recent = |(then, _): &(Timestamp, f64)| {
            (reading.measured_at - *then).num_seconds().abs() <= CURRENT_HOLDS_S
        };
        let known = self.current.filter(recent).map(|(_, amperes)| amperes);
        let voltage = reading.good(Quantity::LoadVoltage).map_or(1.0, |v| v / model.base_v);
        let amperes = known.unwrap_or(model.assumed_current * model.law.rated_a);
        Load { amperes, voltage_pu: voltage, known: known.is_some() }
    }
}

/// Pairs of operations out and back beyond the tap's travel, about which tap, and operations without a place.
fn beyond(settled: Settled) -> (u64, i32, u64) {
    let extra = settled.counted.saturating_sub(settled.moved);
    match (settled.tap, settled.verdict) {
        (Some(tap), Verdict::Agree | Verdict::CountedOdd) => (extra / 2, tap, extra % 2),
        (tap, _) => (0, tap.unwrap_or(0), extra),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wear::{Finger, Part};

    struct Watch {
        model: WearModel,
        meter: WearMeter,
        wear: ContactWear,
        s: i64,
    }

    impl Watch {
        fn new() -> Self {
            let model = WearModel::common(&Nameplate::common());
            Self { model, meter: WearMeter::default(), wear: ContactWear::default(), s: 0 }
        }

        /// Two minutes of readings with these values.
        fn at(&mut self, tap: Option<f64>, counter: Option<f64>, current: Option<f64>) {
            for _ in 0..12 {
                self.s += 10;
                let at = Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(self.s);
                let mut reading = Reading::new(at).with(Quantity::LoadVoltage, 120.0);
                for (q, value) in
                    [(Quantity::Tap, tap), (Quantity::Operations, counter), (Quantity::Current, current)]
                {
                    if let Some(value) = value {
                        reading = reading.with(q, value);
                    }
                }
                self.meter.observe(&self.model, &reading, &mut self.wear);
            }
        }

        fn breaks(&self) -> Vec<u64> {
            self.wear.parts().map(|(_, wear)| wear.breaks()).collect()
        }
    }

    #[test]
    fn steps_between_two_polls_are_each_placed() {
        let mut watch = Watch::new();
        watch.at(Some(3.0), Some(100.0), Some(100.0));
        watch.at(Some(6.0), Some(103.0), Some(100.0));
        // 3 -> 4 leaves 1 (behind), 4 -> 5 leaves 2 (ahead), 5 -> 6 leaves 2 (behind)
        assert_eq!(watch.breaks(), [0, 1, 2, 0, 0, 0, 0, 0, 0, 1, 2]);
        assert_eq!((watch.wear.unplaced, watch.wear.assumed), (0, 0));
    }

    #[test]
    fn out_and_back_between_polls_is_placed_about_the_tap() {
        let mut watch = Watch::new();
        watch.at(Some(4.0), Some(100.0), Some(100.0));
        watch.at(Some(4.0), Some(104.0), Some(100.0));
        // 4 -> 5 -> 4 and 4 -> 3 -> 4
        assert_eq!(watch.breaks(), [0, 1, 2, 1, 0, 0, 0, 0, 0, 2, 2]);
        let mut end = Watch::new();
        end.at(Some(16.0), Some(100.0), Some(100.0));
        end.at(Some(16.0), Some(104.0), Some(100.0));
        assert_eq!((end.wear.operations(), end.wear.unplaced), (4, 0), "17 does not exist");
    }

    #[test]
    fn what_does_not_fit_and_what_has_no_tap_is_unplaced() {
        let mut watch = Watch::new();
        watch.at(Some(4.0), Some(100.0), None);
        watch.at(Some(4.0), Some(101.0), None);
        assert_eq!((watch.wear.operations(), watch.wear.unplaced), (0, 1));
        let mut tapless = Watch::new();
        tapless.at(None, Some(100.0), None);
        tapless.at(None, Some(107.0), None);
        assert_eq!((tapless.wear.operations(), tapless.wear.unplaced), (0, 7));
    }

    #[test]
    fn an_unknown_current_is_assumed_and_said_so() {
        let mut known = Watch::new();
        known.at(Some(1.0), Some(1.0), Some(0.5 * 219.0));
        known.at(Some(2.0), Some(2.0), Some(0.5 * 219.0));
        let mut unknown = Watch::new();
        unknown.at(Some(1.0), Some(1.0), None);
        unknown.at(Some(2.0), Some(2.0), None);
        assert_eq!((known.wear.assumed, unknown.wear.assumed), (0, 1));
        let n = |watch: &Watch| watch.wear.part(Part::Finger(Finger::Behind));
        assert_eq!(n(&known), n(&unknown));
    }

    #[test]
    fn a_replaced_control_wears_nothing_and_passages_of_neutral_reverse() {
        let mut watch = Watch::new();
        watch.at(Some(1.0), Some(40_000.0), Some(50.0));
        watch.at(Some(1.0), Some(7.0), Some(50.0));
        assert_eq!((watch.wear.operations(), watch.wear.unplaced), (0, 0));
        watch.at(Some(0.0), Some(8.0), Some(50.0));
        watch.at(Some(1.0), Some(9.0), Some(50.0));
        assert_eq!(watch.wear.reversals, 0, "neutral and back");
        watch.at(Some(-1.0), Some(11.0), Some(50.0));
        watch.at(Some(2.0), Some(14.0), Some(50.0));
        assert_eq!(watch.wear.reversals, 2);
    }

    #[test]
    fn a_changer_of_another_make_up_has_no_places() {
        let mut watch = Watch::new();
        watch.model = WearModel::common(&Nameplate { step_count: 16, ..Nameplate::common() });
        watch.at(Some(1.0), Some(1.0), None);
        watch.at(Some(2.0), Some(2.0), None);
        assert_eq!((watch.wear.operations(), watch.wear.unplaced), (0, 1));
    }
}
