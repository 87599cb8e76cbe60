//! What breaking a current costs a contact: K·Iⁿ.
//!
//! Published laws run from n = 1 (charge through the arc: R. Holm, Electric Contacts) over 1.6 (H. W. Turner and C. Turner 1968,
//! half-cycle arcs) to 2 (the sum of I²t in the practice of IEEE C37.10); sources from memory. Since the exponent is not known for
//! a given contact, wear is kept for all three. K is set by what one life is: so many breaks at rated current, 50 000 where
//! nothing better is known (the service duty test of IEC 60214-1, from memory; here taken as breaks of one contact).

use super::Switching;

/// The exponents between which the truth is taken to lie.
pub const EXPONENTS: (f64, f64) = (1.0, 2.0);

/// The law for one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Erosion {
    /// The exponent that the likely figure uses, 1 to 2.
    pub exponent: f64,
    /// Breaks at rated current that use up a contact.
    pub life_operations: f64,
    /// The current that a finger breaks.
    pub switching: Switching,
    /// The unit's rated current, A.
    pub rated_a: f64,
}

impl Erosion {
    /// Common values for a unit of this rated current (A): exponent 1.6, 50 000 breaks.
    #[must_use]
    pub fn common(rated_a: f64) -> Self {
        Self { exponent: 1.6, life_operations: 50_000.0, switching: Switching::default(), rated_a }
    }

    /// Share of a contact's life that one break costs, for the exponents 1, as set, and 2: at this load current (A), voltage per
    /// unit of rated, from this kind of position. Nothing if a value is not finite or the law has no rated current or life.
    #[must_use]
    pub fn shares(&self, load_a: f64, voltage_pu: f64, from_bridging: bool) -> Option<[f64; 3]> {
        let broken = self.switching.broken_a(load_a, self.rated_a, voltage_pu, from_bridging);
        let rated = self.switching.broken_a(self.rated_a, self.rated_a, 1.0, from_bridging);
        let ratio = broken / rated;
        let usable = ratio.is_finite() && self.life_operations.is_finite() && self.life_operations > 0.0;
        usable.then(|| {
            [EXPONENTS.0, self.exponent, EXPONENTS.1].map(|n| relative(ratio, n) / self.life_operations)
        })
    }
}

/// Erosion relative to that at the current that `ratio` is of.
#[must_use]
fn relative(ratio: f64, exponent: f64) -> f64 {
    ratio.powf(exponent)
}

/// Charge through an arc that lasts one half-cycle of a current of this r.m.s. value, coulombs: (2√2/π)·I/(2f).
#[must_use]
pub fn half_cycle_charge_c(current_a: f64, frequency_hz: f64) -> f64 {
    std::f64::consts::SQRT_2 * 2.0 / std::f64::consts::PI * current_a / (2.0 * frequency_hz)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    #[test]
    fn charge_of_a_half_cycle() {
        for (amperes, hz, coulombs) in
            [(200.0, 60.0, 1.500_53), (200.0, 50.0, 1.800_63), (100.0, 60.0, 0.750_26)]
        {
            let name = format!("charge of a half-cycle of {amperes} A at {hz} Hz, C");
            let source = "Holm, Electric Contacts (from memory); mean of a sine, recomputed";
            check(&name, source, coulombs, half_cycle_charge_c(amperes, hz), 1e-5);
        }
    }

    #[test]
    fn ratios_to_one_break_at_200_a() {
        for (amperes, theirs) in [(300.0, [1.5, 1.913, 2.25]), (50.0, [0.25, 0.1088, 0.0625])] {
            for (n, theirs) in [1.0, 1.6, 2.0].into_iter().zip(theirs) {
                let name = format!("erosion of {amperes} A relative to 200 A, n = {n}");
                let source = "K I^n: Holm n=1, Turner and Turner 1968 n=1.6, IEEE C37.10 n=2 (from memory)";
                check(&name, source, theirs, relative(amperes / 200.0, n), 5e-4);
            }
        }
    }

    #[test]
    fn a_life_is_so_many_breaks_at_rated_current() {
        let law = Erosion::common(219.0);
        for from_bridging in [true, false] {
            for share in law.shares(219.0, 1.0, from_bridging).unwrap() {
                assert!((1.0 / share - 50_000.0).abs() < 1e-6);
            }
        }
        let [_, share, _] = law.shares(219.0, 1.0, true).unwrap();
        let source = "IEC 60214-1 service duty test (from memory)";
        check("breaks at rated current in a life", source, 50_000.0, 1.0 / share, 1e-6);
    }

    #[test]
    fn below_rated_current_the_higher_exponent_is_the_kinder() {
        let law = Erosion::common(200.0);
        let [n1, n16, n2] = law.shares(80.0, 1.0, true).unwrap();
        assert!(n1 > n16 && n16 > n2 && n2 > 0.0);
        let [n1, _, n2] = law.shares(300.0, 1.0, true).unwrap();
        assert!(n1 < n2);
        // no circulating current: the load current alone, as in the ratios above
        let bare = Erosion { switching: Switching { circulating: 0.0, equalizer: true }, ..law };
        let [n1, ..] = bare.shares(50.0, 1.0, true).unwrap();
        assert!((n1 * 50_000.0 - 0.25).abs() < 1e-12);
    }

    #[test]
    fn without_a_rating_nothing_is_told() {
        assert_eq!(Erosion::common(0.0).shares(80.0, 1.0, true), None);
        assert_eq!(Erosion::common(200.0).shares(f64::NAN, 1.0, true), None);
        assert_eq!(Erosion { life_operations: 0.0, ..Erosion::common(200.0) }.shares(80.0, 1.0, true), None);
    }
}
