//! Objects (annex A): what the bytes behind a group and a variation mean.
//!
//! [`shape`] is the table of what is known. [`Points`] reads the values of a block without copying them, [`encode`]
//! writes one. Device attributes (group 0) have a form of their own: [`attribute`].

pub mod attribute;
mod classes;
mod decode;
mod encode;
mod flags;
mod kind;
mod shape;
#[cfg(test)]
mod tests;
mod time;
mod value;

pub use classes::Classes;
pub use decode::{CommonTime, Points, read_time};
pub use encode::{encode, encode_time};
pub use flags::{Fault, Flags};
pub use kind::{Class, Kind};
pub(crate) use shape::point_group;
pub use shape::{EventTime, Fields, Layout, Meaning, Number, Shape, shape};
pub use time::{Time, Timestamp};
pub use value::{DoubleBit, Point, Value};
