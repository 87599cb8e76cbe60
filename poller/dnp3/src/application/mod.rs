//! The application layer (clause 4): fragments, their headers, and the blocks of objects in them.
//!
//! [`Fragment`] takes a whole fragment apart; [`Blocks`] goes through its objects and stops at the first thing it does not know, so
//! that what came before is kept. What a block's bytes mean is said by [`crate::objects`].

mod block;
mod control;
mod error;
mod fragment;
mod function;
mod indications;
#[cfg(test)]
mod tests;
pub mod write;

pub use block::{Attributes, Block, Blocks, Extent, Indexing};
pub use control::{Control, Sequence};
pub use error::{FragmentError, ObjectError};
pub use fragment::{Fragment, MAX_FRAGMENT};
pub use function::Function;
pub use indications::Indications;
