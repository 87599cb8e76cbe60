//! Frames with sound check words around anything, and what a stream of frames holds.

use dnp3::application::{Fragment, MAX_FRAGMENT};
use dnp3::link::{self, Address, Control, Frame, Function, Header, Parser, Primary};
use dnp3::transport::{Reassembly, Segments, Sequence};

/// Corrects the check words of whatever looks like the start of a frame, so that damage is done to what is said and not only to
/// how it is carried. What does not look like one is left as it is.
#[must_use]
pub fn repaired(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let mut at = 0;
    while at + 10 <= bytes.len() {
        let length = usize::from(bytes[at + 2]);
        if bytes[at..at + 2] != [0x05, 0x64] || length < 5 {
            at += 1;
            continue;
        }
        at = repair_block(&mut bytes, at, 8);
        let mut left = length - 5;
        while left > 0 && at < bytes.len() {
            let block = left.min(16);
            at = repair_block(&mut bytes, at, block);
            left -= block;
        }
    }
    bytes
}

/// Sets the check word behind `length` bytes, if it is there. Returns where the next block begins.
fn repair_block(bytes: &mut [u8], from: usize, length: usize) -> usize {
    let check = from + length;
    if check + 2 <= bytes.len() {
        let word = dnp3::crc(&bytes[from..check]);
        bytes[check..check + 2].copy_from_slice(&word.to_le_bytes());
    }
    check + 2
}

/// The header of a frame with unconfirmed user data.
#[must_use]
pub const fn user_data(from_master: bool, source: Address, destination: Address) -> Header {
    let control = Control::new(from_master, Function::Primary(Primary::UnconfirmedUserData));
    Header { control, destination, source }
}

/// A fragment in as many frames as it takes.
#[must_use]
pub fn frames(header: Header, fragment: &[u8], sequence: Sequence) -> Vec<u8> {
    let (mut wire, mut segment) = (vec![], vec![]);
    let mut segments = Segments::of(fragment, sequence);
    while segments.next_into(&mut segment) {
        link::encode(header, &segment, &mut wire);
    }
    wire
}

/// Calls `each` with every frame of what one of our sessions wants sent. There must be frames and nothing else.
pub fn for_each_frame(sent: &[u8], mut each: impl FnMut(&Frame<'_>)) {
    let mut parser = Parser::new();
    parser.take(sent);
    let mut length = 0;
    while let Some(frame) = parser.next_frame() {
        let mut again = vec![];
        link::encode(frame.header, frame.user_data, &mut again);
        length += again.len();
        each(&frame);
    }
    assert_eq!(length, sent.len(), "what is sent is frames, whole ones and nothing else");
}

/// Puts together what a session should understand of the bytes it gets, to judge its answers by.
#[derive(Debug)]
pub struct Listener {
    parser: Parser,
    reassembly: Vec<(Address, Reassembly)>,
}

impl Listener {
    /// Tells apart what concerns these addresses.
    #[must_use]
    pub fn new(addresses: &[Address]) -> Self {
        let reassembly = addresses.iter().map(|address| (*address, Reassembly::new(MAX_FRAGMENT)));
        Self { parser: Parser::new(), reassembly: reassembly.collect() }
    }

    /// A new connection.
    pub fn reset(&mut self) {
        self.parser.reset();
        self.reassembly.iter_mut().for_each(|(_, reassembly)| reassembly.reset());
    }

    /// Calls `each` with every fragment that `bytes` complete. `concerns` says whether a frame has to do with an address.
    pub fn hear(
        &mut self,
        bytes: &[u8],
        concerns: impl Fn(&Header, Address) -> bool,
        mut each: impl FnMut(Address, &Header, &Fragment<'_>),
    ) {
        self.parser.take(bytes);
        while let Some(frame) = self.parser.next_frame() {
            let Function::Primary(Primary::ConfirmedUserData | Primary::UnconfirmedUserData) =
                frame.header.control.function
            else {
                continue;
            };
            for (address, reassembly) in &mut self.reassembly {
                if !concerns(&frame.header, *address) {
                    continue;
                }
                let whole = reassembly.take(frame.user_data);
                if let Some(fragment) = whole.and_then(|bytes| Fragment::parse(bytes).ok()) {
                    each(*address, &frame.header, &fragment);
                }
            }
        }
    }
}
