//! What the fuzz targets do with the bytes that the fuzzer thinks up, one module a target.
//!
//! A target takes any bytes, turns them into something that happens to a part of the `dnp3` crate, and panics when a property
//! is broken. The layers ([`link`], [`transport`], [`application`]) are held against their own inverse or a plain model. The sessions
//! ([`master`], [`outstation`]) are told a story by an adversary: [`script`] cuts the bytes into what happens, [`wire`] gives frames sound check
//! words so that the story reaches the upper layers, and [`memory`] counts what a session keeps.

pub mod application;
pub mod link;
pub mod master;
pub mod memory;
pub mod outstation;
pub mod script;
pub mod seeds;
pub mod transport;
pub mod wire;

/// A fuzz target: its name, and its function, which writes its first inputs when it is asked to.
#[macro_export]
macro_rules! target {
    ($name:ident) => {
        libfuzzer_sys::fuzz_target!(
            init: $crate::seeds::write_when_asked(stringify!($name)),
            |data: &[u8]| $crate::$name::run(data)
        );
    };
}
