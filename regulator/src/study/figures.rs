//! The figures that outcomes are compared by, for tables of any kind.

use super::outcome::Outcome;

/// What a figure counts in, and so how it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// A count.
    Count,
    /// A count a day.
    ADay,
    /// Seconds, to be shown as a share of the time covered too.
    Seconds,
    /// Volts on the secondary base.
    Volts,
    /// Operations at rated CT primary current.
    Wear,
    /// A tap position.
    Tap,
}

/// One figure of an outcome.
#[derive(Debug)]
pub struct Figure {
    /// Name for machines.
    pub name: &'static str,
    /// Name for people.
    pub title: &'static str,
    /// What it counts in.
    pub measure: Measure,
    value: fn(&Outcome) -> Option<f64>,
}

impl Figure {
    /// Its value; none where there is nothing to tell it from.
    #[must_use]
    pub fn value(&self, outcome: &Outcome) -> Option<f64> {
        (self.value)(outcome)
    }
}

const fn figure(
    name: &'static str,
    title: &'static str,
    measure: Measure,
    value: fn(&Outcome) -> Option<f64>,
) -> Figure {
    Figure { name, title, measure, value }
}

#[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
const fn count(n: u64) -> Option<f64> {
    Some(n as f64)
}

/// Wear is not known where no operation's current is.
fn wear(outcome: &Outcome, sum: f64) -> Option<f64> {
    (outcome.operations == 0 || outcome.wear.unknown < outcome.operations).then_some(sum)
}

/// The figures, in the order of a table.
pub const FIGURES: &[Figure] = &[
    figure("operations", "Operations", Measure::Count, |o| count(o.operations)),
    figure("operations_a_day", "Operations a day", Measure::ADay, Outcome::operations_a_day),
    figure("undone", "Undone within 5 min", Measure::Count, |o| count(o.undone)),
    figure("out_of_band_s", "Out of band", Measure::Seconds, |o| Some(o.out_of_band_s)),
    figure("outside_range_a_s", "Outside C84.1 range A", Measure::Seconds, |o| Some(o.outside_range_a_s)),
    figure("outside_range_b_s", "Outside C84.1 range B", Measure::Seconds, |o| Some(o.outside_range_b_s)),
    figure("voltage_lowest_v", "Voltage, lowest", Measure::Volts, |o| Some(o.voltage.extremes_v()?.0)),
    figure("voltage_5_v", "Voltage, 5 % below", Measure::Volts, |o| o.voltage.quantile_v(0.05)),
    figure("voltage_50_v", "Voltage, median", Measure::Volts, |o| o.voltage.quantile_v(0.5)),
    figure("voltage_95_v", "Voltage, 95 % below", Measure::Volts, |o| o.voltage.quantile_v(0.95)),
    figure("voltage_highest_v", "Voltage, highest", Measure::Volts, |o| Some(o.voltage.extremes_v()?.1)),
    figure("tap_lowest", "Lowest tap", Measure::Tap, |o| Some(o.taps.extremes()?.0.into())),
    figure("tap_highest", "Highest tap", Measure::Tap, |o| Some(o.taps.extremes()?.1.into())),
    figure("wear_1", "Wear, exponent 1", Measure::Wear, |o| wear(o, o.wear.charge)),
    figure("wear_1_6", "Wear, exponent 1.6", Measure::Wear, |o| wear(o, o.wear.usual)),
    figure("wear_2", "Wear, exponent 2", Measure::Wear, |o| wear(o, o.wear.square)),
    figure("blind_s", "No evidence: inputs not known", Measure::Seconds, |o| Some(o.blind_s)),
];
