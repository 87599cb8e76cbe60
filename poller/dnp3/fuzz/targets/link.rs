//! Frames out of any stream of bytes.
#![no_main]
fuzz::target!(link);
