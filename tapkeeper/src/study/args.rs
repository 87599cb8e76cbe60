//! What can be typed.

use std::path::PathBuf;

use regulator::control::ControlSettings;
use regulator::study::{SourceVoltage, setting};
use regulator::taps::TapRange;
use regulator::{Nameplate, WindingType};

/// Replay a CSV file of readings through a model of the control with other settings.
///
/// Prints the model's error first: a model that does not give back what happened with the present settings says nothing about others.
/// A result is evidence about settings; changing them remains with whoever answers for the feeder.
#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// Readings: a column utc or seconds, and load_voltage_v, tap and what else there is; see docs/study.md.
    pub(super) file: PathBuf,
    /// Which regulator, where the file holds several.
    #[arg(long)]
    pub(super) regulator: Option<String>,
    #[command(flatten)]
    pub(super) nameplate: Plate,
    /// Present settings, where the file does not report them: NAME=VALUE, separated by commas. Names: set_voltage, bandwidth, delay,
    /// inter_tap, resistance, reactance, tap_min, tap_max; timing (sequential, integrating), reverse (keep_forward, block,
    /// regulate_reverse) with reverse_set_voltage, reverse_bandwidth, reverse_delay, reverse_resistance, reverse_reactance, widening (off,
    /// on) with ramp, window, factor, hold, hard_low, hard_high.
    #[arg(long, value_name = "NAME=VALUE,...", default_value = "", hide_default_value = true)]
    pub(super) present: String,
    /// Settings to try: what is to differ from the present ones, as in --present. Can be given several times.
    #[arg(long = "try", value_name = "NAME=VALUE,...")]
    pub(super) tried: Vec<String>,
    /// Source voltage: rebuilt from load voltage and tap, or measured only.
    #[arg(long, value_enum, default_value_t = Source::Rebuilt)]
    pub(super) source: Source,
    /// Exponent of the load's power over its voltage, 0 to 2: 0 constant power, 1 constant current, 2 constant impedance.
    #[arg(long, default_value_t = 1.0, value_parser = |s: &str| within(s, 0.0, 2.0))]
    pub(super) load_exponent: f64,
    /// Power factor to take, lagging, where a reading has a current and no powers.
    #[arg(long, value_parser = |s: &str| within(s, 0.0, 1.0))]
    pub(super) power_factor: Option<f64>,
    /// A reading that comes later than this many seconds after the last ends a gap; four usual intervals unless told.
    #[arg(long, value_name = "SECONDS", value_parser = |s: &str| within(s, 0.1, 86_400.0))]
    pub(super) gap: Option<f64>,
    /// Also a map over bandwidth and delay.
    #[arg(long)]
    pub(super) sweep: bool,
    /// Write the map to this file.
    #[arg(long, value_name = "FILE", requires = "sweep")]
    pub(super) csv: Option<PathBuf>,
    /// Print everything as JSON.
    #[arg(long)]
    pub(super) json: bool,
}

/// Where the source voltage is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Source {
    Rebuilt,
    Measured,
}

impl From<Source> for SourceVoltage {
    fn from(source: Source) -> Self {
        match source {
            Source::Rebuilt => Self::Rebuilt,
            Source::Measured => Self::Measured,
        }
    }
}

/// The unit's nameplate, as far as a study needs it.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Nameplate")]
pub(crate) struct Plate {
    /// Construction: A (shunt winding on the source side) or B (on the load side).
    #[arg(long, default_value = "B", value_parser = winding)]
    winding_type: WindingType,
    /// Steps over the whole range of ±10 %.
    #[arg(long, default_value_t = 32)]
    steps: u32,
    /// Primary volts per secondary volt.
    #[arg(long, default_value_t = 63.5, value_parser = |s: &str| within(s, 0.01, 10_000.0))]
    pt_ratio: f64,
    /// Current transformer's rated primary current, A: the base of compensator settings and wear.
    #[arg(long, default_value_t = 250.0, value_parser = |s: &str| within(s, 0.01, 100_000.0))]
    ct_primary: f64,
    /// Lowest permitted tap.
    #[arg(long, default_value_t = -16, allow_negative_numbers = true)]
    lowest_tap: i32,
    /// Highest permitted tap.
    #[arg(long, default_value_t = 16, allow_negative_numbers = true)]
    highest_tap: i32,
    /// The secondary voltage base, V.
    #[arg(long, default_value_t = 120.0, value_parser = |s: &str| within(s, 90.0, 150.0))]
    voltage_base: f64,
    /// Where the operation counter starts again at zero.
    #[arg(long, default_value_t = 1 << 32)]
    counter_modulus: u64,
}

impl Plate {
    pub(super) fn nameplate(&self) -> anyhow::Result<Nameplate> {
        let nameplate = Nameplate {
            winding_type: self.winding_type,
            step_count: self.steps,
            pt_ratio: self.pt_ratio,
            ct_ratio: self.ct_primary / regulator::taps::CT_SECONDARY_A,
            tap_min: self.lowest_tap,
            tap_max: self.highest_tap,
            voltage_base_v: self.voltage_base,
            counter_modulus: self.counter_modulus,
            ..Nameplate::common()
        };
        TapRange::of(&nameplate)
            .map_err(|e| anyhow::anyhow!("{e}; see --steps, --lowest-tap and --highest-tap"))?;
        Ok(nameplate)
    }
}

fn winding(text: &str) -> Result<WindingType, String> {
    WindingType::from_name(&text.to_uppercase()).ok_or_else(|| "it is A or B".to_owned())
}

fn within(text: &str, low: f64, high: f64) -> Result<f64, String> {
    let value: Option<f64> = text.parse().ok();
    value.filter(|v| (low..=high).contains(v)).ok_or_else(|| format!("give a number from {low} to {high}"))
}

/// Changes settings as "bandwidth=3,delay=60" says.
pub(super) fn change(
    settings: &mut ControlSettings,
    text: &str,
    option: &str,
    steps: i32,
) -> anyhow::Result<()> {
    for pair in text.split([',', ' ']).filter(|pair| !pair.is_empty()) {
        let (name, value) = pair.split_once('=').ok_or_else(|| {
            anyhow::anyhow!("{option}: “{pair}” is not NAME=VALUE; write it as in bandwidth=3,delay=60")
        })?;
        setting::put(settings, name, value).map_err(|e| anyhow::anyhow!("{option}: {e}"))?;
    }
    setting::check(settings, steps).map_err(|e| anyhow::anyhow!("{option}, {}: {}", e.setting, e.what))
}
