//! A master whose peer is an adversary.
#![no_main]
fuzz::target!(master);
