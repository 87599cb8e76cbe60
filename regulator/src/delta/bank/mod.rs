//! The three line-to-line voltages behind a bank, from those before it and the taps.
//!
//! Line-to-line voltages are in the order AB, BC, CA. In a closed delta the series winding in line A adds to terminal A a share
//! of the voltage A to B, and so on round: with s·n = 1 - aR,
//! `VAB = aR_ab Vab + (1 - aR_bc) Vbc` and onwards for type B (Kersting ch. 7, closed delta, from memory; it follows from the
//! windings: VAa = -(1 - aR_ab) Vab, VbB = (1 - aR_bc) Vbc). For type A the shunt windings are on the source side and the same
//! holds with the sides exchanged: `Vab = (1 + s n_ab) VAB - s n_bc VBC`. The unit's own impedance is left out.

use super::Phasor;
use crate::{Nameplate, WindingType, taps::TapChanger};

/// A bank whose regulators are alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bank {
    /// Three regulators line to neutral, at A, B, C.
    Wye,
    /// Two regulators with this phase in common (0 is A, 1 is B, 2 is C): from the phase before it and from the phase after
    /// it. With B common they are AB and CB.
    OpenDelta {
        /// The common phase.
        common: usize,
    },
    /// Three regulators AB, BC, CA.
    ClosedDelta,
}

/// Why a bank's voltages cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BankError {
    /// There is no such phase.
    #[error("an open delta's common phase is 0, 1 or 2, not {0}")]
    Phase(usize),
    /// A voltage or tap is not a finite number, or the ratios are beyond any regulator's.
    #[error("no usable voltages or taps")]
    Values,
}

/// What one tap up of one regulator does to the magnitudes of the three output voltages, percent of each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// AB, BC, CA (for a wye bank A, B, C to neutral), percent.
    pub percent: [f64; 3],
}

impl Bank {
    /// The output voltages: line to line AB, BC, CA from the same; for a wye bank A, B, C to neutral from the same. Taps are
    /// those of the bank's regulators in the order A, B, C or AB, BC, CA; an open delta's two stand where their pair is, and the
    /// third is not looked at.
    ///
    /// # Errors
    /// If a value is not finite, the common phase is none, or the ratios are singular.
    pub fn output(
        self,
        nameplate: &Nameplate,
        source: [Phasor; 3],
        taps: [f64; 3],
    ) -> Result<[Phasor; 3], BankError> {
        let changer = TapChanger::of(nameplate);
        let out = match self {
            Self::Wye => each(source, taps, &changer),
            Self::OpenDelta { common } => {
                let dependent = dependent(common)?;
                let mut taps = taps;
                taps[dependent] = 0.0;
                let mut out = each(source, taps, &changer);
                out[dependent] = -(out[(dependent + 1) % 3] + out[(dependent + 2) % 3]);
                out
            }
            Self::ClosedDelta => closed(nameplate.winding_type, source, taps.map(|tap| changer.step() * tap))
                .ok_or(BankError::Values)?,
        };
        let finite = |p: &Phasor| p.re.is_finite() && p.im.is_finite();
        if out.iter().all(finite) { Ok(out) } else { Err(BankError::Values) }
    }

    /// What one tap up of the regulator in this place does, from where the bank stands.
    ///
    /// # Errors
    /// As [`Bank::output`]; also if the place is none of 0, 1, 2, or a voltage is zero.
    pub fn effect(
        self,
        nameplate: &Nameplate,
        source: [Phasor; 3],
        taps: [f64; 3],
        regulator: usize,
    ) -> Result<Effect, BankError> {
        let before = self.output(nameplate, source, taps)?;
        let mut raised = taps;
        *raised.get_mut(regulator).ok_or(BankError::Phase(regulator))? += 1.0;
        let after = self.output(nameplate, source, raised)?;
        let percent = |i: usize| 100.0 * (after[i].magnitude() / before[i].magnitude() - 1.0);
        let effect = Effect { percent: [percent(0), percent(1), percent(2)] };
        if effect.percent.iter().all(|p| p.is_finite()) { Ok(effect) } else { Err(BankError::Values) }
    }

    /// The line-to-line voltage (0 is AB, 1 BC, 2 CA) that no regulator of an open delta sets by itself; nothing for the others.
    #[must_use]
    pub fn uncorrected(self) -> Option<usize> {
        match self {
            Self::OpenDelta { common } => dependent(common).ok(),
            Self::Wye | Self::ClosedDelta => None,
        }
    }
}

/// The pair without the common phase.
const fn dependent(common: usize) -> Result<usize, BankError> {
    match common {
        0 => Ok(1),
        1 => Ok(2),
        2 => Ok(0),
        other => Err(BankError::Phase(other)),
    }
}

fn each(source: [Phasor; 3], taps: [f64; 3], changer: &TapChanger) -> [Phasor; 3] {
    std::array::from_fn(|i| source[i] * changer.ratio(taps[i]))
}

/// `shares` are step times tap.
fn closed(winding: WindingType, source: [Phasor; 3], shares: [f64; 3]) -> Option<[Phasor; 3]> {
    let [ab, bc, ca] = shares;
    Some(match winding {
        WindingType::A => std::array::from_fn(|i| {
            let next = (i + 1) % 3;
            source[i] * (1.0 + shares[i]) - source[next] * shares[next]
        }),
        WindingType::B => {
            // source = M out, M real and the same for both parts
            let m = [[1.0 - ab, bc, 0.0], [0.0, 1.0 - bc, ca], [ab, 0.0, 1.0 - ca]];
            let re = solve(m, source.map(|p| p.re))?;
            let im = solve(m, source.map(|p| p.im))?;
            std::array::from_fn(|i| Phasor { re: re[i], im: im[i] })
        }
    })
}

/// Cramer's rule; nothing if the determinant is too near nothing.
fn solve(m: [[f64; 3]; 3], right: [f64; 3]) -> Option<[f64; 3]> {
    let whole = determinant(m);
    if whole.abs() < 1e-6 {
        return None;
    }
    Some(std::array::from_fn(|column| {
        let mut replaced = m;
        for (row, value) in replaced.iter_mut().zip(right) {
            row[column] = value;
        }
        determinant(replaced) / whole
    }))
}

fn determinant([[a, b, c], [d, e, f], [g, h, i]]: [[f64; 3]; 3]) -> f64 {
    a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
}

#[cfg(test)]
mod tests;
