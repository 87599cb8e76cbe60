//! Voltage unbalance of a three-phase bank, by two definitions that are not interchangeable.
//!
//! NEMA MG 1 (the definition that ANSI C84.1 uses too): 100 x the largest deviation from the mean over the mean, of the three
//! line-to-line magnitudes. IEC and CIGRE: negative over positive sequence voltage, which the same three magnitudes give by
//! `beta = sum V^4 / (sum V^2)^2`, `sqrt((1 - sqrt(3 - 6 beta)) / (1 + sqrt(3 - 6 beta)))`.
//!
//! A wye bank measures line to neutral. MG 1 must not be computed from those magnitudes as they are: zero sequence changes
//! them and not the line-to-line ones. With the phases taken to be 120 degrees apart the line-to-line magnitudes follow; that
//! is an estimate, and says so. Two voltages, or one, say nothing.

use crate::{Connection, Phase};

/// How far the angle between two phases may be from 120 degrees on a loaded feeder. The published solution of the IEEE 13-node
/// feeder has up to 0.8 degrees at its regulator and 3 degrees at its far end.
pub const ANGLE_TOLERANCE_DEGREES: f64 = 1.0;

/// Below this share of the largest a voltage is that of a dead or wrongly reported phase, and unbalance no question.
const ALIVE: f64 = 0.5;

/// Unbalance by NEMA MG 1 of three line-to-line magnitudes (one unit, any), %. Nothing unless all are positive and finite.
#[must_use]
pub fn mg1_percent(line_to_line: [f64; 3]) -> Option<f64> {
    if !usable(line_to_line) {
        return None;
    }
    let mean = line_to_line.iter().sum::<f64>() / 3.0;
    let worst = line_to_line.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max);
    Some(100.0 * worst / mean)
}

/// Negative over positive sequence voltage, of three line-to-line magnitudes, %. Nothing unless all are positive and finite and
/// could be the sides of a triangle, as line-to-line voltages are.
#[must_use]
pub fn cigre_percent(line_to_line: [f64; 3]) -> Option<f64> {
    if !usable(line_to_line) {
        return None;
    }
    let squares = line_to_line.map(|v| v * v);
    let sum: f64 = squares.iter().sum();
    let beta = squares.iter().map(|s| s * s).sum::<f64>() / (sum * sum);
    // of a balanced set 3 - 6 beta is 1; arithmetic may leave it a hair above
    let root = 6.0_f64.mul_add(-beta, 3.0);
    (root >= 0.0).then(|| {
        let root = root.sqrt().min(1.0);
        100.0 * ((1.0 - root) / (1.0 + root)).sqrt()
    })
}

/// Line-to-line magnitudes AB, BC, CA of line-to-neutral magnitudes A, B, C whose phases are this many degrees apart: A to B,
/// B to C.
#[must_use]
pub fn line_to_line_of_wye(line_to_neutral: [f64; 3], a_to_b_degrees: f64, b_to_c_degrees: f64) -> [f64; 3] {
    let [a, b, c] = line_to_neutral;
    let side = |v: f64, w: f64, degrees: f64| {
        (2.0 * v * w).mul_add(-degrees.to_radians().cos(), v.mul_add(v, w * w)).max(0.0).sqrt()
    };
    [
        side(a, b, a_to_b_degrees),
        side(b, c, b_to_c_degrees),
        side(c, a, 360.0 - a_to_b_degrees - b_to_c_degrees),
    ]
}

/// The same for phases 120 degrees apart, where the cosine is -1/2.
fn line_to_line_at_120([a, b, c]: [f64; 3]) -> [f64; 3] {
    [(a, b), (b, c), (c, a)].map(|(v, w)| v.mul_add(v, w.mul_add(w, v * w)).sqrt())
}

/// What an unbalance rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Three line-to-line voltages, measured.
    LineToLine,
    /// Three line-to-neutral voltages, with the phases taken to be 120 degrees apart.
    EstimatedFromLineToNeutral,
}

impl Basis {
    /// In words for people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::LineToLine => "line-to-line voltages",
            Self::EstimatedFromLineToNeutral => {
                "estimated from line-to-neutral voltages, phases taken to be 120 degrees apart"
            }
        }
    }
}

/// The unbalance of a bank at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unbalance {
    /// By NEMA MG 1, %.
    pub mg1_percent: f64,
    /// Lowest and highest MG 1 unbalance that angles within [`ANGLE_TOLERANCE_DEGREES`] would give; of measured line-to-line
    /// voltages the figure itself. Metering errors are not in it.
    pub range_percent: (f64, f64),
    /// Negative over positive sequence, %; nothing where the magnitudes are no triangle.
    pub cigre_percent: Option<f64>,
    /// What it rests on.
    pub basis: Basis,
}

/// Why a bank's unbalance cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CannotTell {
    /// One or two regulators.
    #[error("fewer than three regulators: the voltage of the third pair of phases is not measured")]
    NotThree,
    /// Three regulators on phases that do not fit the connection.
    #[error("the regulators' phases do not fit the connection of the bank")]
    WrongPhases,
    /// A voltage that is missing.
    #[error("a voltage is missing")]
    Missing,
    /// A voltage far below the others.
    #[error("a phase is dead or its voltage wrong")]
    DeadPhase,
}

/// The three voltages of a bank in the order of its phases, all on one base.
fn in_order(connection: Connection, voltages: &[(Phase, f64)]) -> Result<[f64; 3], CannotTell> {
    let order = match connection {
        Connection::Wye => [Phase::A, Phase::B, Phase::C],
        Connection::ClosedDelta => [Phase::AB, Phase::BC, Phase::CA],
        Connection::OpenDelta => return Err(CannotTell::NotThree),
    };
    if voltages.len() != 3 {
        return Err(CannotTell::NotThree);
    }
    let mut of = [0.0; 3];
    for (slot, phase) in of.iter_mut().zip(order) {
        *slot = voltages.iter().find(|(p, _)| *p == phase).ok_or(CannotTell::WrongPhases)?.1;
    }
    if of.iter().any(|v| !v.is_finite()) {
        return Err(CannotTell::Missing);
    }
    let largest = of.into_iter().fold(0.0, f64::max);
    if largest <= 0.0 || of.iter().any(|v| *v < ALIVE * largest) {
        return Err(CannotTell::DeadPhase);
    }
    Ok(of)
}

/// The MG 1 unbalance of a bank alone, %: the same figure as [`unbalance_of_bank`]'s, at a fraction of its cost.
///
/// # Errors
/// Where it cannot be told, and why.
pub fn mg1_of_bank(connection: Connection, voltages: &[(Phase, f64)]) -> Result<f64, CannotTell> {
    let of = in_order(connection, voltages)?;
    let sides = if connection == Connection::Wye { line_to_line_at_120(of) } else { of };
    mg1_percent(sides).ok_or(CannotTell::DeadPhase)
}

/// The unbalance of a bank from the voltages of its regulators, all on one base. A wye bank of three gives an estimate, a closed
/// delta the figure itself.
///
/// # Errors
/// Where it cannot be told, and why.
pub fn unbalance_of_bank(connection: Connection, voltages: &[(Phase, f64)]) -> Result<Unbalance, CannotTell> {
    let of = in_order(connection, voltages)?;
    if connection == Connection::Wye { estimate(of) } else { measured(of) }
}

fn measured(line_to_line: [f64; 3]) -> Result<Unbalance, CannotTell> {
    let mg1 = mg1_percent(line_to_line).ok_or(CannotTell::DeadPhase)?;
    Ok(Unbalance {
        mg1_percent: mg1,
        range_percent: (mg1, mg1),
        cigre_percent: cigre_percent(line_to_line),
        basis: Basis::LineToLine,
    })
}

fn estimate(line_to_neutral: [f64; 3]) -> Result<Unbalance, CannotTell> {
    let at = |ab: f64, bc: f64| line_to_line_of_wye(line_to_neutral, 120.0 + ab, 120.0 + bc);
    let central = line_to_line_at_120(line_to_neutral);
    let mg1 = mg1_percent(central).ok_or(CannotTell::DeadPhase)?;
    let mut range = (mg1, mg1);
    // The third angle must be within the tolerance too: the corners of that hexagon. At its centre lies the figure itself.
    let d = ANGLE_TOLERANCE_DEGREES;
    for (ab, bc) in [(d, 0.0), (d, -d), (0.0, -d), (-d, 0.0), (-d, d), (0.0, d)] {
        // Along each ray, because the smallest unbalance may lie between the centre and the corner.
        for part in [0.25, 0.5, 0.75, 1.0] {
            if let Some(other) = mg1_percent(at(ab * part, bc * part)) {
                range = (range.0.min(other), range.1.max(other));
            }
        }
    }
    Ok(Unbalance {
        mg1_percent: mg1,
        range_percent: range,
        cigre_percent: cigre_percent(central),
        basis: Basis::EstimatedFromLineToNeutral,
    })
}

fn usable(voltages: [f64; 3]) -> bool {
    voltages.iter().all(|v| v.is_finite() && *v > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    const MG1: &str = "NEMA MG 1 definition, worked example";

    #[test]
    fn worked_examples_of_both_definitions() {
        // 460/467/450: published with 1.96 %; the others in guides to motors; the last by (max - min) would be 1.68 %
        for (volts, percent, tolerance) in [
            ([460.0, 467.0, 450.0], 1.961, 5e-4),
            ([462.0, 463.0, 455.0], 1.1, 0.05),
            ([480.0, 476.0, 472.0], 0.84, 5e-3),
        ] {
            let name = format!("Voltage unbalance {volts:?}, %");
            check(&name, MG1, percent, mg1_percent(volts).unwrap(), tolerance);
        }
        let cigre = "IEC/CIGRE formula of three magnitudes, plain arithmetic";
        let got = cigre_percent([460.0, 467.0, 450.0]).unwrap();
        check("Negative over positive sequence [460, 467, 450], %", cigre, 2.146, got, 5e-4);
    }

    /// Independent of the formula: negative and positive sequence from the complex voltages themselves.
    #[test]
    fn the_magnitude_formula_agrees_with_symmetrical_components() {
        let phasor = |v: f64, degrees: f64| (v * degrees.to_radians().cos(), v * degrees.to_radians().sin());
        let turn = |(x, y): (f64, f64), degrees: f64| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            (x * cos - y * sin, x * sin + y * cos)
        };
        let size = |parts: [(f64, f64); 3]| {
            let (x, y) = parts.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0, y + p.1));
            x.hypot(y)
        };
        // IEEE 13-node feeder, published voltages of nodes 632 and 671
        for (a, b, c) in [
            (phasor(1.0210, -2.49), phasor(1.0420, -121.72), phasor(1.0174, 117.83)),
            (phasor(0.9900, -5.30), phasor(1.0529, -122.34), phasor(0.9778, 116.02)),
        ] {
            let minus = |p: (f64, f64), q: (f64, f64)| (p.0 - q.0, p.1 - q.1);
            let sides = [minus(a, b), minus(b, c), minus(c, a)];
            let positive = size([a, turn(b, 120.0), turn(c, 240.0)]);
            let negative = size([a, turn(b, 240.0), turn(c, 120.0)]);
            let by_components = 100.0 * negative / positive;
            let ours = cigre_percent(sides.map(|(x, y)| x.hypot(y))).unwrap();
            check(
                "Negative over positive sequence, 13-node feeder, %",
                "symmetrical components of the published voltages",
                by_components,
                ours,
                1e-9,
            );
        }
    }

    /// The estimate of a wye bank holds for the 13-node feeder's regulator end, whose published angles are within a degree of
    /// 120: its range covers what the published complex voltages give.
    #[test]
    fn the_estimate_of_a_wye_bank_covers_the_published_case() {
        let magnitudes = [1.0210, 1.0420, 1.0174];
        let truth =
            mg1_percent(line_to_line_of_wye(magnitudes, 121.72 - 2.49, 360.0 - 121.72 - 117.83)).unwrap();
        let voltages: Vec<_> =
            [Phase::A, Phase::B, Phase::C].into_iter().zip(magnitudes.map(|v| v * 120.0)).collect();
        let got = unbalance_of_bank(Connection::Wye, &voltages).unwrap();
        assert_eq!(got.basis, Basis::EstimatedFromLineToNeutral);
        assert!(got.range_percent.0 <= truth && truth <= got.range_percent.1, "{got:?} {truth}");
        check(
            "Unbalance at 632 from magnitudes alone, %",
            "published complex voltages, 13-node feeder",
            truth,
            got.mg1_percent,
            0.5,
        );
    }

    #[test]
    fn line_to_line_of_a_balanced_wye_is_sqrt_3() {
        let sides = line_to_line_of_wye([120.0; 3], 120.0, 120.0);
        assert!(sides.iter().all(|v| (v - 120.0 * 3.0_f64.sqrt()).abs() < 1e-9));
        assert!(
            line_to_line_at_120([121.0, 118.5, 124.0])
                .into_iter()
                .zip(line_to_line_of_wye([121.0, 118.5, 124.0], 120.0, 120.0))
                .all(|(short, long)| (short - long).abs() < 1e-9)
        );
        assert!(mg1_percent(sides).unwrap() < 1e-9 && cigre_percent(sides).unwrap() < 1e-5);
    }

    /// Zero sequence alone, which no motor between the lines sees: measured magnitudes line to neutral differ widely.
    #[test]
    fn zero_sequence_is_why_line_to_neutral_magnitudes_are_not_used_as_they_are() {
        // 120 V balanced with 6 V in phase with A added to all: 126, 117.1, 117.1
        let (x, y) = (-60.0 + 6.0, 120.0 * 3.0_f64.sqrt() / 2.0);
        let neutral = [126.0, f64::hypot(x, y), f64::hypot(x, y)];
        assert!(mg1_percent(neutral).unwrap() > 4.0, "as they are they seem far unbalanced");
        let between = f64::atan2(y, -x).to_degrees();
        let sides = line_to_line_of_wye(neutral, 180.0 - between, 2.0 * between);
        assert!(mg1_percent(sides).unwrap() < 1e-9, "line to line there is none");
    }

    #[test]
    fn what_cannot_be_told_is_not() {
        let of = |connection, voltages: &[(Phase, f64)]| unbalance_of_bank(connection, voltages).unwrap_err();
        let (a, b, c) = ((Phase::A, 120.0), (Phase::B, 120.0), (Phase::C, 120.0));
        assert_eq!(of(Connection::Wye, &[a, b]), CannotTell::NotThree);
        assert_eq!(
            of(Connection::OpenDelta, &[(Phase::AB, 120.0), (Phase::BC, 120.0)]),
            CannotTell::NotThree
        );
        assert_eq!(of(Connection::ClosedDelta, &[a, b, c]), CannotTell::WrongPhases);
        assert_eq!(of(Connection::Wye, &[a, b, (Phase::C, f64::NAN)]), CannotTell::Missing);
        assert_eq!(of(Connection::Wye, &[a, b, (Phase::C, 2.0)]), CannotTell::DeadPhase);
        assert_eq!(
            of(Connection::Wye, &[(Phase::A, 0.0), (Phase::B, 0.0), (Phase::C, 0.0)]),
            CannotTell::DeadPhase
        );
    }

    #[test]
    fn a_closed_delta_is_measured() {
        let voltages = [(Phase::CA, 450.0), (Phase::AB, 460.0), (Phase::BC, 467.0)];
        let got = unbalance_of_bank(Connection::ClosedDelta, &voltages).unwrap();
        assert_eq!(mg1_of_bank(Connection::ClosedDelta, &voltages), Ok(got.mg1_percent));
        assert_eq!((got.basis, got.range_percent.0 < got.mg1_percent), (Basis::LineToLine, false));
        check("Voltage unbalance of a closed delta, %", MG1, 1.961, got.mg1_percent, 5e-4);
    }
}
