//! The link layer: what is found in a stream is the same however it was cut, and every byte is accounted for.

use dnp3::link::{self, Counters, Header, MAX_FRAME, MAX_USER_DATA, Parser};

use crate::memory::Meter;
use crate::script::Script;
use crate::wire;

/// Longest piece that a connection hands over at once, bytes.
const PIECE: usize = 2_560;

/// Takes an input: one byte says whether check words are repaired, one how long the pieces are.
pub fn run(data: &[u8]) {
    let mut script = Script::new(data);
    let (Some(how), Some(piece)) = (script.byte(), script.byte()) else { return };
    let stream = if how & 1 == 0 { script.rest().to_vec() } else { wire::repaired(script.rest()) };

    let whole = found(&stream, PIECE);
    let cut = found(&stream, usize::from(piece).max(1));
    assert_eq!(whole, cut, "what is found does not depend on how the stream is cut");

    let (frames, counters) = whole;
    let mut in_frames = 0;
    for (header, user_data) in &frames {
        assert!(user_data.len() <= MAX_USER_DATA);
        let mut wire = vec![];
        link::encode(*header, user_data, &mut wire);
        assert!(wire.len() <= MAX_FRAME);
        assert!(
            stream.windows(wire.len()).any(|window| window == wire),
            "a frame that was found is in the stream"
        );
        in_frames += wire.len();
        let _ = link::answer(header, true).or(link::answer(header, false));
    }
    let discarded = usize::try_from(counters.discarded_bytes).expect("fewer than the stream has");
    assert_eq!(counters.frames, frames.len() as u64);
    let waiting = stream.len().checked_sub(in_frames + discarded).expect("no byte counts twice");
    assert!(waiting < MAX_FRAME, "at most one frame's worth of bytes waits for more");
}

/// The frames in a stream that comes in pieces, and what was counted. The parser keeps a piece and most of a frame before it, and a
/// frame's user data, each in a vector that has doubled.
fn found(stream: &[u8], piece: usize) -> (Vec<(Header, Vec<u8>)>, Counters) {
    let most = 2 * (piece + MAX_FRAME) + 2 * MAX_USER_DATA;
    let mut meter = Meter::default();
    let mut parser = Parser::new();
    let mut frames = vec![];
    for piece in stream.chunks(piece) {
        meter.count(|| parser.take(piece));
        while let Some(frame) = meter.count(|| parser.next_frame()) {
            frames.push((frame.header, frame.user_data.to_vec()));
        }
        meter.check(most);
    }
    (frames, parser.counters())
}
