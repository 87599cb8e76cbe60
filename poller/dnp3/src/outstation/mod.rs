//! An outstation.
