//! The inventory: import, export and check of the fleet file.
//!
//! A fleet file is a CSV with one row a regulator. [`check`] reads it without a database and tells every fault at once;
//! [`import`] brings the inventory to it, all rows or none; [`export`] writes the inventory as such a file again.

mod cell;
mod check;
mod columns;
mod command;
mod errors;
mod export;
mod import;
mod link;
mod order;
mod profiles;
mod row;
mod stored;
mod table;
#[cfg(test)]
mod tests;

pub use check::check;
pub use command::{Command, main};
pub use errors::{Fault, FleetErrors, ImportError};
pub use export::export;
pub use import::{Missing, Summary, import, import_with};
pub use profiles::ProfileSet;
pub use row::Row;
