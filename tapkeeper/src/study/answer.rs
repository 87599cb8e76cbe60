//! From what was typed and read to the answer.

use regulator::control::ControlSettings;
use regulator::study::usual_interval_s;
use regulator::study::{
    Cell, Comparison, Coverage, InForce, Model, Recording, Reduction, Replay, SourceVoltage, Sweep, Trust,
    doubts,
};
use regulator::{Nameplate, Timestamp};

use super::args::{Args, change};
use super::table::Readings;

/// All that is told.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) notes: Vec<String>,
    pub(super) coverage: Coverage,
    pub(super) interval_s: f64,
    pub(super) gap_s: f64,
    pub(super) model: Model,
    pub(super) source: SourceVoltage,
    pub(super) present: ControlSettings,
    pub(super) in_force: InForce,
    pub(super) tried: Vec<ControlSettings>,
    pub(super) comparison: Comparison,
    pub(super) trust: Trust,
    pub(super) doubts: Vec<String>,
    pub(super) map: Option<Vec<Vec<Cell>>>,
}

impl Answer {
    pub(super) fn of(args: &Args, mut nameplate: Nameplate, found: Readings) -> anyhow::Result<Self> {
        let Readings { readings, notes } = found;
        let (from, to) = (readings[0].measured_at, readings[readings.len() - 1].measured_at);
        nameplate.poll_interval_s = usual_interval_s(&readings).unwrap_or(nameplate.poll_interval_s);
        let steps = i32::try_from(nameplate.step_count / 2).unwrap_or(16);
        let in_force = InForce::of(&readings, &nameplate);
        let mut present = in_force.settings;
        change(&mut present, &args.present, "--present", steps)?;
        let mut tried = vec![];
        for text in &args.tried {
            let mut settings = present;
            change(&mut settings, text, "--try", steps)?;
            tried.push(settings);
        }
        let common = Reduction::common(from, &nameplate).spaced_as(&readings);
        let reduction = Reduction {
            source: args.source.into(),
            gap_s: args.gap.unwrap_or(common.gap_s),
            assumed_power_factor: args.power_factor,
            ..common
        };
        let (recording, coverage) = Recording::from_readings(&readings, &nameplate, &reduction);
        anyhow::ensure!(
            recording.len() > 1,
            "none of the {} readings can be used: {} are without a usable voltage, {} without a tap. A study needs the load voltage and the \
             tap, or both voltages; values must be above 0 V",
            coverage.readings,
            coverage.without_voltage,
            coverage.without_tap
        );
        let model = Model { load_exponent: args.load_exponent, ..Model::of(&nameplate) };
        let replay = Replay::new(&recording, model);
        let comparison = Comparison::of(&replay, &present, &tried);
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let map = args.sweep.then(|| Sweep::around(present).map(&replay, threads));
        Ok(Self {
            from,
            to,
            notes,
            coverage,
            interval_s: recording.interval_s(),
            gap_s: reduction.gap_s,
            model,
            source: reduction.source,
            trust: Trust::of(&comparison.error),
            doubts: doubts(&comparison, &coverage, &recording, &model, &present),
            present,
            in_force,
            tried,
            comparison,
            map,
        })
    }
}
