//! Blocks, points and attributes out of any fragment.
#![no_main]
fuzz::target!(application);
