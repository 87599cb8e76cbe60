//! Fragments out of any segments.
#![no_main]
fuzz::target!(transport);
