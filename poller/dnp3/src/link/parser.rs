//! Finds frames in a stream of bytes, whatever else is in it.
//!
//! What is found depends on the bytes alone, never on how they were cut into pieces. A false start costs one byte: the search
//! goes on right behind it, so that a frame is never lost to the rubbish before it.

use super::frame::{BLOCK, COUNTED, MAX_FRAME, wire_length};
use super::header::START;
use super::{Address, Control, Frame, HEADER_LENGTH, Header};
use crate::crc;

/// How often what was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Sound frames.
    pub frames: u64,
    /// Bytes that belong to no sound frame.
    pub discarded_bytes: u64,
    /// Headers whose check word is wrong, or whose length is impossible.
    pub bad_headers: u64,
    /// Frames whose header is sound and whose user data is not.
    pub bad_blocks: u64,
}

/// Takes bytes in any pieces and returns the frames in them. Holds at most one frame's worth of bytes beyond a piece.
#[derive(Debug, Default)]
pub struct Parser {
    /// What has been taken in; looked at from `from` on.
    waiting: Vec<u8>,
    from: usize,
    user_data: Vec<u8>,
    counters: Counters,
}

/// What the bytes from here on are.
enum Found {
    Frame(Header, usize),
    /// Not the start of a frame: go on behind so many bytes.
    Nothing(usize),
    /// It may become one.
    Incomplete,
}

impl Parser {
    /// A parser that has seen nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in bytes. Call [`Parser::next_frame`] until it returns nothing before the next piece.
    pub fn take(&mut self, bytes: &[u8]) {
        self.waiting.drain(..self.from);
        self.from = 0;
        self.waiting.extend_from_slice(bytes);
    }

    /// Forgets what has been taken in, at the start of a new connection.
    pub fn reset(&mut self) {
        self.waiting.clear();
        self.from = 0;
    }

    /// What was seen so far.
    #[must_use]
    pub const fn counters(&self) -> Counters {
        self.counters
    }

    /// The next frame, if there is a whole one.
    pub fn next_frame(&mut self) -> Option<Frame<'_>> {
        loop {
            match self.look() {
                Found::Frame(header, length) => {
                    self.from += length;
                    self.counters.frames += 1;
                    return Some(Frame { header, user_data: &self.user_data });
                }
                Found::Nothing(length) => {
                    self.from += length;
                    self.counters.discarded_bytes += length as u64;
                }
                Found::Incomplete => {
                    debug_assert!(self.waiting.len() - self.from < MAX_FRAME);
                    return None;
                }
            }
        }
    }

    fn look(&mut self) -> Found {
        let bytes = &self.waiting[self.from..];
        let start = bytes.iter().position(|byte| *byte == START[0]).unwrap_or(bytes.len());
        if start > 0 {
            return Found::Nothing(start);
        }
        if bytes.get(1).is_some_and(|byte| *byte != START[1]) {
            return Found::Nothing(1);
        }
        let Some(head) = bytes.first_chunk::<HEADER_LENGTH>() else { return Found::Incomplete };
        let length = usize::from(head[2]);
        if length < COUNTED || !is_sound(head) {
            self.counters.bad_headers += 1;
            return Found::Nothing(START.len());
        }
        let user_data = length - COUNTED;
        let whole = wire_length(user_data);
        let Some(body) = bytes.get(HEADER_LENGTH..whole) else { return Found::Incomplete };
        self.user_data.clear();
        for block in body.chunks(BLOCK + 2) {
            if !is_sound(block) {
                self.counters.bad_blocks += 1;
                return Found::Nothing(START.len());
            }
            self.user_data.extend_from_slice(&block[..block.len() - 2]);
        }
        Found::Frame(header(head), whole)
    }
}

/// Whether the last two bytes are the check word of those before. A block is never shorter than three bytes.
fn is_sound(block: &[u8]) -> bool {
    block.split_last_chunk::<2>().is_some_and(|(data, check)| crc(data) == u16::from_le_bytes(*check))
}

const fn header(head: &[u8; HEADER_LENGTH]) -> Header {
    Header {
        control: Control::from_byte(head[3]),
        destination: Address::from_wire(u16::from_le_bytes([head[4], head[5]])),
        source: Address::from_wire(u16::from_le_bytes([head[6], head[7]])),
    }
}
