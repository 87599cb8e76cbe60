//! Profiles: text files that map a control's points to quantities.
//!
//! [`Profile::parse`] checks a file completely and reports every fault at once; [`ReadPlan`] merges its points into few
//! requests; [`decode`] turns raw answers into readings, [`object`] the values of DNP3 objects, and [`Validator`] judges each
//! reading by the ones before it.
//! Nothing here talks to a device: see [`crate::modbus`]. The format is described in `profiles/README.md`.

mod agree;
mod check;
mod common;
pub mod decode;
mod errors;
mod fields;
mod load;
mod load_object;
mod load_point;
pub mod object;
mod plan;
mod point;
mod protocol;
mod shipped;
mod validate;

pub use errors::{ProfileError, ProfileErrors};
pub use object::ObjectPoint;
pub use plan::{Place, ReadPlan};
pub use point::{Kind, Order, Point, Raw, RawMatch};
pub use protocol::Protocol;
pub use shipped::Shipped;
pub use validate::Validator;

use regulator::Quantity;

/// Most regulators that one control serves.
pub const MAX_POSITION: u8 = 3;

/// How reads may be merged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Merge {
    /// Unneeded registers that one request may run over to reach the next point.
    pub gap: u16,
    /// Unneeded bits that one request may run over to reach the next point.
    pub bit_gap: u16,
    /// Most registers in one request.
    pub max_registers: u16,
    /// Most bits in one request.
    pub max_bits: u16,
}

/// A checked profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// What kind of control it is for, in a few words.
    pub title: String,
    /// How reads may be merged.
    pub merge: Merge,
    /// The points in Modbus tables, in the order of the file.
    pub points: Vec<Point>,
    /// The points that are DNP3 objects, in the order of the file. A profile has either these or those.
    pub objects: Vec<ObjectPoint>,
}

impl Profile {
    /// Reads and checks a profile.
    ///
    /// # Errors
    /// Every fault of the file, each with its line, the point it belongs to and what to do about it.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, ProfileErrors> {
        load::load(file_name, text)
    }

    /// The profiles that come with the program.
    #[must_use]
    pub const fn shipped() -> &'static [Shipped] {
        shipped::SHIPPED
    }

    /// Where the operation counter of this position starts again at zero; none if the profile does not map one.
    #[must_use]
    pub fn counter_modulus(&self, position: u8) -> Option<u64> {
        let wanted = (Quantity::Operations, position);
        let point = self.points.iter().find(|p| (p.quantity, p.position) == wanted).map(|p| p.rollover);
        let object = self.objects.iter().find(|p| (p.quantity, p.position) == wanted).map(|p| p.rollover);
        point.or(object).flatten()
    }

    /// The positions that the profile maps, in order: some of 1 to 3.
    #[must_use]
    pub fn positions(&self) -> Vec<u8> {
        (1..=MAX_POSITION).filter(|p| self.maps().any(|(_, position)| position == *p)).collect()
    }

    /// What it maps: quantities and positions, in the order of the file.
    pub fn maps(&self) -> impl Iterator<Item = (Quantity, u8)> {
        let points = self.points.iter().map(|p| (p.quantity, p.position));
        points.chain(self.objects.iter().map(|p| (p.quantity, p.position)))
    }

    /// The protocol that it is for.
    #[must_use]
    pub const fn protocol(&self) -> Protocol {
        // a checked profile has at least one point, and all of one protocol
        if self.objects.is_empty() { Protocol::Modbus } else { Protocol::Dnp3 }
    }
}
