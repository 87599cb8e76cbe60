//! Frames, and how they go over the wire.

use super::header::START;
use super::{HEADER_LENGTH, Header};
use crate::crc;

/// Most user data of one frame, bytes.
pub const MAX_USER_DATA: usize = 250;
/// Longest frame, check words included, bytes.
pub const MAX_FRAME: usize = 292;
/// User data between two check words, bytes.
pub(super) const BLOCK: usize = 16;
/// What the length byte counts beside user data: control and addresses.
pub(super) const COUNTED: usize = 5;

/// One frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Who says what to whom.
    pub header: Header,
    /// Up to [`MAX_USER_DATA`] bytes for the transport layer.
    pub user_data: &'a [u8],
}

/// How long a frame with so much user data is on the wire, bytes.
pub(super) const fn wire_length(user_data: usize) -> usize {
    HEADER_LENGTH + user_data + 2 * user_data.div_ceil(BLOCK)
}

/// Adds a frame to `out`.
///
/// # Panics
/// If there are more than [`MAX_USER_DATA`] bytes of user data.
pub fn encode(header: Header, user_data: &[u8], out: &mut Vec<u8>) {
    assert!(user_data.len() <= MAX_USER_DATA, "a frame holds 250 bytes");
    let begin = out.len();
    out.extend_from_slice(&START);
    #[allow(clippy::cast_possible_truncation, reason = "at most 255")]
    out.push((COUNTED + user_data.len()) as u8);
    out.push(header.control.byte());
    out.extend_from_slice(&header.destination.number().to_le_bytes());
    out.extend_from_slice(&header.source.number().to_le_bytes());
    let check = crc(&out[begin..]);
    out.extend_from_slice(&check.to_le_bytes());
    for block in user_data.chunks(BLOCK) {
        out.extend_from_slice(block);
        out.extend_from_slice(&crc(block).to_le_bytes());
    }
}
