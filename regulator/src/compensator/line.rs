//! The line between regulator and load centre, from its conductor data.

/// Unit of length that conductor data are given for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LengthUnit {
    /// 1609.344 m.
    Mile,
    /// 304.8 m.
    ThousandFeet,
    /// 1000 m.
    Kilometre,
}

impl LengthUnit {
    /// Metres (exact by the definition of the foot, 0.3048 m).
    #[must_use]
    pub const fn metres(self) -> f64 {
        match self {
            Self::Mile => 1609.344,
            Self::ThousandFeet => 304.8,
            Self::Kilometre => 1000.0,
        }
    }

    /// The symbol, as in "0.3 ohm/mi".
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Mile => "mi",
            Self::ThousandFeet => "kft",
            Self::Kilometre => "km",
        }
    }
}

/// Series impedance of a line, ohms.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Impedance {
    /// Resistance, ohm.
    pub resistance_ohm: f64,
    /// Reactance, ohm.
    pub reactance_ohm: f64,
}

/// A piece of line of one conductor and spacing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Impedance of one unit of length, ohm: positive sequence for a three-phase line, the loop's for one phase alone.
    pub per_length: Impedance,
    /// The unit of length that it is given for.
    pub per: LengthUnit,
    /// Length.
    pub length: f64,
    /// The unit that the length is in.
    pub unit: LengthUnit,
}

impl Section {
    /// Length in the unit that the conductor data are given for.
    #[must_use]
    pub fn lengths(&self) -> f64 {
        self.length * self.unit.metres() / self.per.metres()
    }

    /// Its impedance.
    #[must_use]
    pub fn impedance(&self) -> Impedance {
        let n = self.lengths();
        Impedance {
            resistance_ohm: self.per_length.resistance_ohm * n,
            reactance_ohm: self.per_length.reactance_ohm * n,
        }
    }
}

impl Impedance {
    /// Of sections one after the other.
    #[must_use]
    pub fn of_line(sections: &[Section]) -> Self {
        sections.iter().map(Section::impedance).fold(Self::default(), |sum, z| Self {
            resistance_ohm: sum.resistance_ohm + z.resistance_ohm,
            reactance_ohm: sum.reactance_ohm + z.reactance_ohm,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-9, "{got} is not {want}");
    }

    #[test]
    fn a_mile_is_5280_feet_and_lengths_convert() {
        close(LengthUnit::Mile.metres() / LengthUnit::ThousandFeet.metres(), 5.28);
        let section = Section {
            per_length: Impedance { resistance_ohm: 0.306, reactance_ohm: 0.627 },
            per: LengthUnit::Mile,
            length: 15.84,
            unit: LengthUnit::ThousandFeet,
        };
        close(section.lengths(), 3.0);
        close(section.impedance().resistance_ohm, 0.918);
        close(section.impedance().reactance_ohm, 1.881);
    }

    #[test]
    fn sections_add_up() {
        let section = |r, x, length| Section {
            per_length: Impedance { resistance_ohm: r, reactance_ohm: x },
            per: LengthUnit::Kilometre,
            length,
            unit: LengthUnit::Kilometre,
        };
        let line = Impedance::of_line(&[section(0.2, 0.4, 1.5), section(0.5, 0.45, 2.0)]);
        close(line.resistance_ohm, 1.3);
        close(line.reactance_ohm, 1.5);
        assert_eq!(Impedance::of_line(&[]), Impedance::default());
    }
}
