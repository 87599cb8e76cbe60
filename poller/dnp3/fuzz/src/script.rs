//! Cuts the fuzzer's bytes into what happens.

use std::time::Duration;

/// Bytes that are left of an input.
#[derive(Debug)]
pub struct Script<'a> {
    rest: &'a [u8],
}

impl<'a> Script<'a> {
    /// The whole input.
    #[must_use]
    pub const fn new(data: &'a [u8]) -> Self {
        Self { rest: data }
    }

    /// One byte; none at the end.
    pub fn byte(&mut self) -> Option<u8> {
        let (&byte, rest) = self.rest.split_first()?;
        self.rest = rest;
        Some(byte)
    }

    /// Two bytes, low byte first.
    pub fn word(&mut self) -> Option<u16> {
        Some(u16::from_le_bytes([self.byte()?, self.byte()?]))
    }

    /// Bytes behind their number, in one byte; fewer at the end.
    pub fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = usize::from(self.byte()?);
        Some(self.at_most(length))
    }

    /// Bytes behind their number, in two bytes; fewer at the end.
    pub fn many_bytes(&mut self) -> Option<&'a [u8]> {
        let length = usize::from(self.word()?);
        Some(self.at_most(length))
    }

    /// A time, from a millisecond to two months.
    pub fn time(&mut self) -> Option<Duration> {
        let unit = [1, 50, 1_000, 60_000][usize::from(self.byte()? & 3)];
        Some(Duration::from_millis(unit * u64::from(self.word()?)))
    }

    /// What is left.
    #[must_use]
    pub const fn rest(&self) -> &'a [u8] {
        self.rest
    }

    fn at_most(&mut self, length: usize) -> &'a [u8] {
        let (taken, rest) = self.rest.split_at(length.min(self.rest.len()));
        self.rest = rest;
        taken
    }
}
