//! Rows in PostgreSQL's binary COPY format (PostgreSQL manual, COPY, "Binary Format"): a header, then for each row the
//! number of its fields and each field as a length and its bytes, then a trailer. Numbers are in network byte order.

use chrono::{DateTime, Utc};

/// Signature, flags and the length of the header's extension.
const HEADER: &[u8] = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0";
const TRAILER: [u8; 2] = (-1_i16).to_be_bytes();
const NULL: [u8; 4] = (-1_i32).to_be_bytes();
/// 2000-01-01T00:00:00Z, from which PostgreSQL counts, in microseconds of Unix time.
const POSTGRES_EPOCH_US: i64 = 946_684_800_000_000;

/// The bytes of one COPY.
#[derive(Debug)]
pub(crate) struct CopyBuffer(Vec<u8>);

impl CopyBuffer {
    pub(crate) fn with_capacity(bytes: usize) -> Self {
        let mut buffer = Vec::with_capacity(bytes + HEADER.len() + TRAILER.len());
        buffer.extend_from_slice(HEADER);
        Self(buffer)
    }

    /// Begins a row; exactly `fields` fields must follow.
    pub(crate) fn row(&mut self, fields: i16) {
        self.0.extend_from_slice(&fields.to_be_bytes());
    }

    pub(crate) fn i32(&mut self, value: impl Into<Option<i32>>) {
        self.field(value.into().map(i32::to_be_bytes));
    }

    pub(crate) fn i64(&mut self, value: impl Into<Option<i64>>) {
        self.field(value.into().map(i64::to_be_bytes));
    }

    pub(crate) fn f32(&mut self, value: impl Into<Option<f32>>) {
        self.field(value.into().map(f32::to_be_bytes));
    }

    pub(crate) fn f64(&mut self, value: impl Into<Option<f64>>) {
        self.field(value.into().map(f64::to_be_bytes));
    }

    pub(crate) fn bool(&mut self, value: impl Into<Option<bool>>) {
        self.field(value.into().map(|v| [u8::from(v)]));
    }

    /// An instant, cut to the microseconds that a `timestamptz` holds.
    pub(crate) fn timestamp(&mut self, value: impl Into<Option<DateTime<Utc>>>) {
        self.i64(value.into().map(|at| at.timestamp_micros() - POSTGRES_EPOCH_US));
    }

    pub(crate) fn i16(&mut self, value: impl Into<Option<i16>>) {
        self.field(value.into().map(i16::to_be_bytes));
    }

    pub(crate) fn null(&mut self) {
        self.0.extend_from_slice(&NULL);
    }

    /// A field of at most 255 bytes.
    pub(crate) fn short_bytes(&mut self, value: &[u8]) {
        let length = u8::try_from(value.len()).expect("a short field");
        self.0.extend_from_slice(&i32::from(length).to_be_bytes());
        self.0.extend_from_slice(value);
    }

    /// What is ready to send so far.
    pub(crate) fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// Forgets what has been sent.
    pub(crate) fn clear(&mut self) {
        self.0.clear();
    }

    /// The whole (or the rest), ready to send.
    pub(crate) fn finish(mut self) -> Vec<u8> {
        self.0.extend_from_slice(&TRAILER);
        self.0
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "N is 1, 2, 4 or 8")]
    fn field<const N: usize>(&mut self, value: Option<[u8; N]>) {
        match value {
            None => self.0.extend_from_slice(&NULL),
            Some(bytes) => {
                self.0.extend_from_slice(&(N as i32).to_be_bytes());
                self.0.extend_from_slice(&bytes);
            }
        }
    }
}
