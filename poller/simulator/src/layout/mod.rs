//! Register layouts: how a control shows its values on the wire, and what is left of them after its resolution.
//!
//! The simulator keeps these tables by itself, apart from the poller's profiles, so that a profile is tested against something
//! it was not made from.

mod coding;
mod image;
mod objects;
mod tables;

pub(crate) use coding::Coding;
pub(crate) use image::{Image, Table};

use dnp3::Now;
use dnp3::outstation::{Database, Session};
use objects::Object;
use regulator::{Quality, Quantity, Reading};
use serde::{Deserialize, Serialize};

/// The layout of a control's registers or objects; each has the profile of the same name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) enum Layout {
    SingleFloat,
    SingleBits,
    TripleInteger,
    SingleObjects,
    TripleObjects,
}

/// One quantity's place and form.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    pub(crate) quantity: Quantity,
    pub(crate) table: Table,
    /// Of the first regulator.
    pub(crate) address: u16,
    /// From one regulator of a control to the next.
    pub(crate) stride: u16,
    pub(crate) coding: Coding,
}

impl Layout {
    /// The profile that reads it.
    pub(crate) const fn profile(self) -> &'static str {
        match self {
            Self::SingleFloat => "single-float",
            Self::SingleBits => "single-bits",
            Self::TripleInteger => "triple-integer",
            Self::SingleObjects => "dnp3-single-float",
            Self::TripleObjects => "dnp3-triple-integer",
        }
    }

    /// Where the operation counter starts again at zero.
    pub(crate) const fn counter_modulus(self) -> u64 {
        match self {
            Self::SingleFloat | Self::SingleBits | Self::SingleObjects => 1 << 32,
            Self::TripleInteger | Self::TripleObjects => 1 << 16,
        }
    }

    pub(crate) const fn points(self) -> &'static [Point] {
        match self {
            Self::SingleFloat => tables::SINGLE_FLOAT,
            Self::SingleBits => tables::SINGLE_BITS,
            Self::TripleInteger => tables::TRIPLE_INTEGER,
            Self::SingleObjects | Self::TripleObjects => &[],
        }
    }

    const fn objects(self) -> &'static [Object] {
        match self {
            Self::SingleObjects => objects::SINGLE,
            Self::TripleObjects => objects::TRIPLE,
            Self::SingleFloat | Self::SingleBits | Self::TripleInteger => &[],
        }
    }

    /// Whether it is spoken to over DNP3.
    pub(crate) const fn is_objects(self) -> bool {
        !self.objects().is_empty()
    }

    /// The points of an outstation with so many regulators, none of which has a value yet.
    pub(crate) fn database(self, positions: u8) -> Database {
        objects::database(self.objects(), positions)
    }

    /// Brings the points of the regulator at this position up to date.
    pub(crate) fn update(self, session: &mut Session, position: u8, values: &Reading, now: Now) {
        objects::write(self.objects(), session, position, values, now);
    }

    /// The ranges that answer, as (table, first address, length); everything else is an illegal address.
    pub(crate) const fn ranges(self) -> &'static [(Table, u16, u16)] {
        match self {
            Self::SingleFloat => &[(Table::Holding, 100, 20), (Table::Holding, 200, 10)],
            Self::SingleBits => &[
                (Table::Input, 0, 16),
                (Table::Discrete, 0, 16),
                (Table::Coil, 0, 32),
                (Table::Holding, 10, 5),
            ],
            Self::TripleInteger => &[(Table::Input, 1000, 120), (Table::Holding, 500, 60)],
            Self::SingleObjects | Self::TripleObjects => &[],
        }
    }

    /// An image of a control none of whose positions has a regulator yet.
    pub(crate) fn blank(self) -> Image {
        let mut image = Image::new(self.ranges());
        let positions = if self == Self::TripleInteger { 3 } else { 1 };
        for position in 1..=positions {
            for point in self.points() {
                point.coding.blank(&mut image, point.table, point.at(position));
            }
        }
        image
    }

    /// Writes these values into the image, for the regulator at this position.
    pub(crate) fn write(self, image: &mut Image, position: u8, values: &Reading) {
        for point in self.points() {
            if let Some(value) = values.value(point.quantity) {
                point.coding.write(image, point.table, point.at(position), value);
            }
        }
    }

    /// The reading that a poller gets of these values: rounded to what the registers or objects hold.
    pub(crate) fn as_polled(self, values: &Reading) -> Reading {
        let mut polled = Reading::new(values.measured_at);
        let mut keep = |quantity, round: &dyn Fn(f64) -> f64| {
            if let Some(value) = values.value(quantity) {
                let rounded = round(value);
                // Readings are kept in single precision, but for counts and positions.
                let kept = match quantity {
                    Quantity::Tap | Quantity::Operations => rounded,
                    _ => f64::from(coding::single(rounded)),
                };
                polled.set(quantity, Some(kept), Quality::Good);
            }
        };
        for point in self.points() {
            keep(point.quantity, &|value| point.coding.rounded(value));
        }
        for object in self.objects() {
            keep(object.quantity, &|value| object.rounded(value));
        }
        polled
    }
}

impl Point {
    const fn at(&self, position: u8) -> u16 {
        self.address + (position as u16 - 1) * self.stride
    }
}
