//! Rated current, and the higher ones of a unit whose range is limited.
//!
//! A regulator is rated by the power that its series winding adds: kVA = range (10 %) x rated voltage x rated current. With a
//! smaller range it may carry more current: IEEE C57.15 / IEC 60076-21 list ±10 % 100 %, ±8¾ % 110 %, ±7½ % 120 %, ±6¼ % 135 %,
//! ±5 % 160 %, the raised ratings up to 668 A (values from memory). A range between two of those has the rating of the wider. A
//! nameplate may state others; then it, and not this table, holds.

use super::TapRange;
use crate::Nameplate;

/// Reach in percent (up to and including), current in percent of rated; narrowest first.
const SUPPLEMENTARY: [(f64, f64); 5] =
    [(5.0, 160.0), (6.25, 135.0), (7.5, 120.0), (8.75, 110.0), (10.0, 100.0)];

/// The highest current that a supplementary rating grants, A.
pub const SUPPLEMENTARY_CAP_A: f64 = 668.0;

/// Rated current in amperes of a unit of this kVA at this rated voltage (V), for a range of ±10 %. Nothing unless both are
/// positive and finite.
#[must_use]
pub fn rated_current_a(kva: f64, rated_voltage_v: f64) -> Option<f64> {
    let usable = |x: f64| x.is_finite() && x > 0.0;
    (usable(kva) && usable(rated_voltage_v)).then(|| kva * 1000.0 / (0.1 * rated_voltage_v))
}

/// The kVA of the circuit that a unit can regulate: rated voltage times rated current, ten times its own rating.
#[must_use]
pub fn circuit_kva(nameplate: &Nameplate) -> f64 {
    nameplate.rated_voltage_v * nameplate.rated_current_a / 1000.0
}

/// Current permitted with this reach (percent either side of neutral), in percent of the rated current, before the cap.
#[must_use]
pub fn supplementary_percent(reach_percent: f64) -> f64 {
    let row = SUPPLEMENTARY.iter().find(|(reach, _)| reach_percent <= reach + 1e-9);
    row.map_or(100.0, |(_, current)| *current)
}

/// Current that this unit may carry continuously within its permitted range, A. The cap bounds what is granted above the
/// rated current, never the rated current itself. Where the nameplate's range makes no sense the rated current stands.
#[must_use]
pub fn permitted_current_a(nameplate: &Nameplate) -> f64 {
    let rated = nameplate.rated_current_a;
    let percent = TapRange::of(nameplate).map_or(100.0, |range| supplementary_percent(range.reach_percent()));
    (rated * percent / 100.0).min(SUPPLEMENTARY_CAP_A).max(rated)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    /// Preferred ratings as tabled in IEEE C57.15 (from memory): kVA, rated V, A. The table rounds, to within 0.3 %.
    #[test]
    fn current_of_preferred_ratings() {
        for (kva, volts, amperes) in [
            (76.2, 7620.0, 100.0),
            (114.3, 7620.0, 150.0),
            (167.0, 7620.0, 219.0),
            (250.0, 7620.0, 328.0),
            (333.0, 7620.0, 438.0),
            (500.0, 7620.0, 656.0),
            (833.0, 7620.0, 1093.0),
            (167.0, 2500.0, 668.0),
            (276.0, 13_800.0, 200.0),
            (288.0, 14_400.0, 200.0),
        ] {
            let ours = rated_current_a(kva, volts).unwrap();
            let name = format!("rated current of {kva} kVA at {volts} V, A");
            check(&name, "preferred ratings of IEEE C57.15 (from memory)", amperes, ours, 0.003 * amperes);
        }
        assert_eq!(rated_current_a(167.0, 0.0), None);
        assert_eq!(rated_current_a(f64::NAN, 7620.0), None);
    }

    #[test]
    fn less_range_more_current() {
        for (reach, percent) in [(10.0, 100.0), (8.75, 110.0), (7.5, 120.0), (6.25, 135.0), (5.0, 160.0)] {
            let name = format!("current with a range of ±{reach} %, % of rated");
            let source = "IEEE C57.15 / IEC 60076-21 supplementary ratings (from memory)";
            check(&name, source, percent, supplementary_percent(reach), 0.0);
        }
        // between two rows the wider one's rating; narrower than all of them the narrowest one's
        assert!((supplementary_percent(9.375) - 100.0).abs() < 1e-12);
        assert!((supplementary_percent(5.625) - 135.0).abs() < 1e-12);
        assert!((supplementary_percent(1.25) - 160.0).abs() < 1e-12);
    }

    #[test]
    fn the_cap_bounds_the_raise_and_not_the_rating() {
        let unit = |rated_current_a, tap_min| Nameplate {
            rated_current_a,
            tap_min,
            tap_max: 8,
            ..Nameplate::common()
        };
        assert!((permitted_current_a(&unit(219.0, -8)) - 350.4).abs() < 1e-9);
        assert!((permitted_current_a(&unit(219.0, -12)) - 262.8).abs() < 1e-9, "the wider side counts");
        assert!((permitted_current_a(&unit(438.0, -8)) - 668.0).abs() < 1e-9);
        assert!((permitted_current_a(&unit(1093.0, -8)) - 1093.0).abs() < 1e-9);
        assert!((permitted_current_a(&unit(219.0, -40)) - 219.0).abs() < 1e-9, "an impossible range");
    }

    #[test]
    fn the_circuit_is_ten_times_the_unit() {
        assert!((circuit_kva(&Nameplate::common()) / 1670.0 - 1.0).abs() < 0.002);
    }
}
