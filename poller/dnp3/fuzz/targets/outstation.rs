//! An outstation whose master is an adversary.
#![no_main]
fuzz::target!(outstation);
