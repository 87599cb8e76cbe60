//! The control's instrument transformers: what one volt and one ampere of the control are on the line.

use crate::Nameplate;

/// Secondary current at rated primary current of the usual instrument transformer, A.
pub const CT_SECONDARY_LARGE_A: f64 = 5.0;
/// Secondary current at rated primary current of the current transformer built into most regulators, A (common practice).
pub const CT_SECONDARY_SMALL_A: f64 = 0.2;

/// Instrument transformers that cannot be.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Unusable {
    /// A ratio or rating that is not a positive number.
    #[error("the {what} must be more than 0, it is {value}")]
    NotPositive {
        /// Which of them.
        what: &'static str,
        /// What it is.
        value: f64,
    },
}

/// Potential and current transformer of one control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instruments {
    pt_ratio: f64,
    ct_primary_a: f64,
    ct_secondary_a: f64,
}

impl Instruments {
    /// From the potential transformer's ratio (primary volts a secondary volt) and the current transformer's primary and
    /// secondary rating, A.
    ///
    /// # Errors
    /// Where one of them is not more than zero.
    pub fn new(pt_ratio: f64, ct_primary_a: f64, ct_secondary_a: f64) -> Result<Self, Unusable> {
        for (what, value) in [
            ("potential transformer ratio", pt_ratio),
            ("current transformer's primary rating", ct_primary_a),
            ("current transformer's secondary rating", ct_secondary_a),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(Unusable::NotPositive { what, value });
            }
        }
        Ok(Self { pt_ratio, ct_primary_a, ct_secondary_a })
    }

    /// From a nameplate, whose current transformer ratio is primary amperes a secondary ampere.
    ///
    /// # Errors
    /// As for [`Instruments::new`].
    pub fn of(nameplate: &Nameplate, ct_secondary_a: f64) -> Result<Self, Unusable> {
        Self::new(nameplate.pt_ratio, nameplate.ct_ratio * ct_secondary_a, ct_secondary_a)
    }

    /// Primary volts a secondary volt.
    #[must_use]
    pub const fn pt_ratio(&self) -> f64 {
        self.pt_ratio
    }

    /// Rated primary current, A.
    #[must_use]
    pub const fn ct_primary_a(&self) -> f64 {
        self.ct_primary_a
    }

    /// Rated secondary current, A.
    #[must_use]
    pub const fn ct_secondary_a(&self) -> f64 {
        self.ct_secondary_a
    }

    /// Volts of compensator setting an ohm of line: CT primary over PT ratio.
    #[must_use]
    pub fn volts_per_ohm(&self) -> f64 {
        self.ct_primary_a / self.pt_ratio
    }

    /// The current in the compensator, A, of this line current, A.
    #[must_use]
    pub fn compensator_current_a(&self, line_current_a: f64) -> f64 {
        line_current_a / self.ct_primary_a * self.ct_secondary_a
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nameplate_of_a_fifth_of_an_ampere() {
        let of = Instruments::of(&Nameplate::common(), CT_SECONDARY_SMALL_A).unwrap();
        assert!((of.ct_primary_a() - 250.0).abs() < 1e-9, "1250 A to 1 A is 250 A to 0.2 A");
        assert!((of.compensator_current_a(125.0) - 0.1).abs() < 1e-12, "half of rated current");
    }

    #[test]
    fn nothing_is_divided_by_zero() {
        for bad in [0.0, -20.0, f64::NAN, f64::INFINITY] {
            assert!(Instruments::new(bad, 700.0, 5.0).is_err());
            assert!(Instruments::new(20.0, bad, 5.0).is_err());
            let error = Instruments::new(20.0, 700.0, bad).unwrap_err().to_string();
            assert!(error.starts_with("the current transformer's secondary rating must be more than 0"));
        }
    }
}
