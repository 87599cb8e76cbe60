//! The generic profiles that come with the program, of our own making.

use super::{Profile, ProfileErrors};

/// A profile that comes with the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shipped {
    /// The name by which the inventory refers to it.
    pub name: &'static str,
    /// The text of the file.
    pub source: &'static str,
}

impl Shipped {
    /// The checked profile.
    ///
    /// # Errors
    /// As [`Profile::parse`]; a test holds that there are none.
    pub fn profile(&self) -> Result<Profile, ProfileErrors> {
        Profile::parse(&format!("{}.toml", self.name), self.source)
    }
}

/// All of them, by name.
pub(super) const SHIPPED: &[Shipped] = &[
    Shipped { name: "dnp3-single-float", source: include_str!("../../profiles/dnp3-single-float.toml") },
    Shipped { name: "dnp3-triple-integer", source: include_str!("../../profiles/dnp3-triple-integer.toml") },
    Shipped { name: "single-bits", source: include_str!("../../profiles/single-bits.toml") },
    Shipped { name: "single-float", source: include_str!("../../profiles/single-float.toml") },
    Shipped { name: "triple-integer", source: include_str!("../../profiles/triple-integer.toml") },
];

#[cfg(test)]
mod tests {
    use regulator::Quantity;

    use super::*;

    #[test]
    fn every_shipped_profile_is_right_and_maps_what_the_conditions_need() {
        for shipped in SHIPPED {
            let profile = shipped.profile().unwrap_or_else(|e| panic!("{e}"));
            for position in profile.positions() {
                for quantity in [
                    Quantity::LoadVoltage,
                    Quantity::Current,
                    Quantity::RealPower,
                    Quantity::Tap,
                    Quantity::Operations,
                    Quantity::Automatic,
                ] {
                    assert!(
                        profile.maps().any(|mapped| mapped == (quantity, position)),
                        "{} position {position} lacks {}",
                        shipped.name,
                        quantity.name()
                    );
                }
                assert!(profile.counter_modulus(position).is_some());
            }
        }
    }
}
