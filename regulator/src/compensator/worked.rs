//! Compensator computations with every step shown, for a page that lets people follow them.
//!
//! Each function returns the result and a [`Worked`] whose steps lead to it: what is computed, by which formula with the numbers
//! put in, the value and its unit. The numbers in the formulas are rounded for reading; the values are not.

use super::{Aim, Compensator, Flow, Impedance, Instruments, PerUnitCurrent, Rounding, Section, TapsWanted};
use crate::control::Regulation;

/// One step of a computation.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What is computed.
    pub label: String,
    /// By which formula, with its numbers: "R' = 0.3 ohm x 700 A / 20".
    pub formula: String,
    /// The value, not rounded.
    pub value: f64,
    /// Its unit symbol; empty for a count or ratio.
    pub unit: &'static str,
}

/// The steps of a computation, in order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Worked {
    /// The steps.
    pub steps: Vec<Step>,
}

impl Worked {
    fn step(&mut self, label: impl Into<String>, formula: String, value: f64, unit: &'static str) -> f64 {
        self.steps.push(Step { label: label.into(), formula, value, unit });
        value
    }

    /// The value of the last step of this label.
    #[must_use]
    pub fn value(&self, label: &str) -> Option<f64> {
        self.steps.iter().rev().find(|step| step.label == label).map(|step| step.value)
    }
}

/// Current out of the regulated side of one regulator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineCurrent {
    /// Magnitude, primary amperes.
    pub amperes: f64,
    /// Degrees by which it lags that side's voltage; negative where it leads.
    pub lagging_degrees: f64,
}

/// One regulator at one instant, as the calculator is told of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case {
    /// The control's instrument transformers.
    pub instruments: Instruments,
    /// Compensator settings in force for this direction of flow.
    pub settings: Compensator,
    /// Direction of flow: forward holds the load side, reverse the source side.
    pub flow: Flow,
    /// Voltage of the side that is held, V on the secondary base.
    pub held_side_v: f64,
    /// Current out of that side, in the direction of flow.
    pub current: LineCurrent,
    /// The line to the load centre, where known.
    pub line: Option<Impedance>,
}

impl Case {
    /// The current as the control model takes it: per unit of CT primary, positive from source to load.
    #[must_use]
    pub fn per_unit_current(&self) -> PerUnitCurrent {
        let current = self.current.amperes / self.instruments.ct_primary_a();
        let along = PerUnitCurrent::polar(current, self.current.lagging_degrees);
        if self.flow == Flow::Reverse { along.reversed() } else { along }
    }
}

/// Compensator settings for a line, volts (and ohms, for a control that is set in them).
#[must_use]
pub fn settings_of_line(sections: &[Section], instruments: &Instruments) -> (Compensator, Worked) {
    let mut worked = Worked::default();
    for (number, section) in (1..).zip(sections) {
        let (z, n, per) = (section.per_length, section.lengths(), section.per.symbol());
        let mut part = |what: &str, ohm: f64| {
            let formula = format!("{} ohm/{per} x {} {per}", short(ohm), short(n));
            worked.step(format!("{what} of section {number}"), formula, ohm * n, "ohm");
        };
        part("Resistance", z.resistance_ohm);
        part("Reactance", z.reactance_ohm);
    }
    let line = Impedance::of_line(sections);
    worked.step("Resistance of the line", "sum of the sections".to_owned(), line.resistance_ohm, "ohm");
    worked.step("Reactance of the line", "sum of the sections".to_owned(), line.reactance_ohm, "ohm");
    let settings = settings_of_impedance(line, instruments, &mut worked);
    (settings, worked)
}

/// The same for a line of known impedance; the steps are added to `worked`.
pub fn settings_of_impedance(line: Impedance, instruments: &Instruments, worked: &mut Worked) -> Compensator {
    let (pt, primary, secondary) =
        (instruments.pt_ratio(), instruments.ct_primary_a(), instruments.ct_secondary_a());
    let settings = Compensator::for_line(line.resistance_ohm, line.reactance_ohm, pt, primary);
    for (name, ohm, volts) in
        [("R", line.resistance_ohm, settings.resistance_v), ("X", line.reactance_ohm, settings.reactance_v)]
    {
        let formula = format!("{name}' = {} ohm x {} A / {}", short(ohm), short(primary), short(pt));
        worked.step(format!("Compensator {name}"), formula, volts, "V");
    }
    for (name, volts) in [("R", settings.resistance_v), ("X", settings.reactance_v)] {
        let formula =
            format!("{name}' / {} A = {} V / {} A", short(secondary), short(volts), short(secondary));
        worked.step(format!("Compensator {name} in ohms"), formula, volts / secondary, "ohm");
    }
    settings
}

/// Settings in volts from settings in ohms of the control's secondary.
#[must_use]
pub fn settings_of_ohms(set: Impedance, instruments: &Instruments) -> (Compensator, Worked) {
    let mut worked = Worked::default();
    let mut volts = |name: &str, ohm: f64| {
        let secondary = instruments.ct_secondary_a();
        let formula = format!("{name}' = {} ohm x {} A", short(ohm), short(secondary));
        worked.step(format!("Compensator {name}"), formula, ohm * secondary, "V")
    };
    let settings = Compensator {
        resistance_v: volts("R", set.resistance_ohm),
        reactance_v: volts("X", set.reactance_ohm),
    };
    (settings, worked)
}

/// The line that settings stand for: back from volts to ohms of line.
#[must_use]
pub fn line_of_settings(settings: &Compensator, instruments: &Instruments) -> (Impedance, Worked) {
    let (pt, primary) = (instruments.pt_ratio(), instruments.ct_primary_a());
    let (resistance_ohm, reactance_ohm) = settings.line_ohms(pt, primary);
    let mut worked = Worked::default();
    for (label, volts, ohm) in [
        ("Resistance of the line", settings.resistance_v, resistance_ohm),
        ("Reactance of the line", settings.reactance_v, reactance_ohm),
    ] {
        let formula = format!("{} V x {} / {} A", short(volts), short(pt), short(primary));
        worked.step(label, formula, ohm, "ohm");
    }
    (Impedance { resistance_ohm, reactance_ohm }, worked)
}

/// Line current of a balanced three-phase load: kVA, line-to-line kV, power factor (lagging positive, leading negative).
/// Nothing unless the voltage is more than 0 and the power factor between -1 and 1.
#[must_use]
pub fn current_of_load(kva: f64, line_kv: f64, power_factor: f64) -> Option<(LineCurrent, Worked)> {
    if line_kv.is_nan() || line_kv <= 0.0 || !(-1.0..=1.0).contains(&power_factor) || !kva.is_finite() {
        return None;
    }
    let mut worked = Worked::default();
    let formula = format!("{} kVA / (sqrt 3 x {} kV)", short(kva), short(line_kv));
    let amperes = worked.step("Line current", formula, kva / (3.0_f64.sqrt() * line_kv), "A");
    let degrees = power_factor.abs().acos().to_degrees().copysign(power_factor);
    let formula = format!("arc cos {}", short(power_factor.abs()));
    let lagging_degrees = worked.step("Angle by which it lags", formula, degrees, "deg");
    Some((LineCurrent { amperes, lagging_degrees }, worked))
}

/// The voltage that the control sees, and, where the line is known, the voltage at the load centre. Returns the relay voltage.
#[must_use]
pub fn relay_voltage(case: &Case) -> (f64, Worked) {
    let mut worked = Worked::default();
    let (instruments, settings) = (&case.instruments, &case.settings);
    let (amperes, volts) = (case.current.amperes, case.held_side_v);
    let (primary, secondary) = (instruments.ct_primary_a(), instruments.ct_secondary_a());
    let formula = format!("{} A x {} A / {} A", short(amperes), short(secondary), short(primary));
    worked.step("Compensator current", formula, instruments.compensator_current_a(amperes), "A");
    let share = worked.step(
        "Current, of CT primary",
        format!("{} A / {} A", short(amperes), short(primary)),
        amperes / primary,
        "",
    );
    let along = PerUnitCurrent::polar(share, case.current.lagging_degrees);
    let formula =
        format!("|{} + j{}| V x {}", short(settings.resistance_v), short(settings.reactance_v), short(share));
    let (in_phase, ahead) = settings.drop_v(along);
    let drop = worked.step("Compensator drop", formula, in_phase.hypot(ahead), "V");
    let formula = format!(
        "arc tan ({} / {}) - {} deg",
        short(settings.reactance_v),
        short(settings.resistance_v),
        short(case.current.lagging_degrees)
    );
    let angle = worked.step("Its angle", formula, ahead.atan2(in_phase).to_degrees(), "deg");
    let relay = settings.relay_voltage_for(case.flow, volts, case.per_unit_current());
    let formula = format!("|{} V - {} V at {} deg|", short(volts), short(drop), short(angle));
    worked.step("Relay voltage", formula, relay, "V");
    if let Some(line) = case.line {
        load_centre(case, line, along, &mut worked);
    }
    (relay, worked)
}

/// The voltage at the end of the line, by the line's own impedance: what the relay voltage is meant to copy.
fn load_centre(case: &Case, line: Impedance, along: PerUnitCurrent, worked: &mut Worked) {
    let (pt, primary) = (case.instruments.pt_ratio(), case.instruments.ct_primary_a());
    let exact = Compensator::for_line(line.resistance_ohm, line.reactance_ohm, pt, primary);
    let centre = exact.relay_voltage(case.held_side_v, along);
    let formula = format!(
        "|{} V - ({} + j{}) ohm x {} A / {}|",
        short(case.held_side_v),
        short(line.resistance_ohm),
        short(line.reactance_ohm),
        short(case.current.amperes),
        short(pt)
    );
    worked.step("Voltage at the load centre", formula, centre, "V");
    let formula = format!("{} V x {}", short(centre), short(pt));
    worked.step("Voltage at the load centre, primary", formula, centre * pt, "V");
}

/// Taps that bring the relay voltage of this case to its aim, with each way to round. `step_v` is what a tap is worth, V on the
/// secondary base. The taps are of the held side: in reverse a control lowers to raise its source side.
#[must_use]
pub fn taps(case: &Case, aim: Aim, regulation: &Regulation, step_v: f64) -> Option<(TapsWanted, Worked)> {
    let (relay, mut worked) = relay_voltage(case);
    let wanted = TapsWanted::to(aim, relay, regulation, step_v)?;
    let formula = match aim {
        Aim::Centre => "set voltage".to_owned(),
        Aim::BandEdge => format!(
            "nearest voltage within {} V +- {} V",
            short(regulation.set_voltage_v),
            short(0.5 * regulation.bandwidth_v)
        ),
    };
    worked.step("Aim", formula, wanted.aim_v, "V");
    let formula = format!("({} V - {} V) / {} V", short(wanted.aim_v), short(relay), short(step_v));
    worked.step("Taps", formula, wanted.exact, "");
    for (label, rounding) in [
        ("Taps, to the nearest", Rounding::Nearest),
        ("Taps, upwards: as a control that taps until it is there", Rounding::Upwards),
    ] {
        worked.step(label, format!("{} rounded", short(wanted.exact)), wanted.whole(rounding).into(), "");
    }
    Some((wanted, worked))
}

/// A number with at most four decimals, none of them a trailing zero.
fn short(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}
