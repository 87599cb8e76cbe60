//! Fragments that a session wants sent, one behind the other in one buffer.

use crate::application::{Control, Indications};
use crate::link::Address;

/// Function codes of what an outstation sends (table 4-2).
pub(super) const RESPONSE: u8 = 129;
pub(super) const UNSOLICITED: u8 = 130;
/// Control, function, two bytes of indications.
const HEADER: usize = 4;

#[derive(Debug, Default)]
pub(super) struct Outbox {
    pub(super) bytes: Vec<u8>,
    /// To whom, and where it ends.
    letters: Vec<(Address, usize)>,
    begin: usize,
}

impl Outbox {
    /// Begins a fragment, its header still blank. Its objects are to be added to `bytes`.
    pub(super) fn open(&mut self) {
        self.begin = self.bytes.len();
        self.bytes.extend_from_slice(&[0; HEADER]);
    }

    /// Fills in the header and ends the fragment. Returns it.
    pub(super) fn close(
        &mut self,
        control: Control,
        function: u8,
        indications: Indications,
        to: Address,
    ) -> &[u8] {
        let fragment = &mut self.bytes[self.begin..];
        let [first, second] = indications.bytes();
        fragment[..HEADER].copy_from_slice(&[control.byte(), function, first, second]);
        self.letters.push((to, self.begin + fragment.len()));
        &self.bytes[self.begin..]
    }

    /// Adds a fragment as it is.
    pub(super) fn post(&mut self, fragment: &[u8], to: Address) {
        self.bytes.extend_from_slice(fragment);
        self.letters.push((to, self.bytes.len()));
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.letters.is_empty()
    }

    /// The fragments in order, each with its addressee.
    pub(super) fn letters(&self) -> impl Iterator<Item = (Address, &[u8])> {
        let begins = std::iter::once(0).chain(self.letters.iter().map(|(_, end)| *end));
        begins.zip(&self.letters).map(|(begin, (to, end))| (*to, &self.bytes[begin..*end]))
    }

    pub(super) fn clear(&mut self) {
        self.bytes.clear();
        self.letters.clear();
    }
}
