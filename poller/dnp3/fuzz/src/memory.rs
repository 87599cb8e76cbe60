//! How much memory a part of the crate keeps.

use std::alloc::System;

use cap::Cap;

#[global_allocator]
static ALLOCATOR: Cap<System> = Cap::new(System, usize::MAX);

/// Counts the bytes that stay allocated across the calls that it sees.
#[derive(Debug, Default)]
pub struct Meter {
    held: isize,
}

impl Meter {
    /// Does something that may allocate and free, and counts the difference.
    pub fn count<T>(&mut self, act: impl FnOnce() -> T) -> T {
        let before = allocated();
        let result = act();
        self.held += allocated() - before;
        result
    }

    /// Bytes held by now.
    #[must_use]
    pub const fn held(&self) -> isize {
        self.held
    }

    /// Checks that no more is held than was promised.
    #[track_caller]
    pub fn check(&self, most: usize) {
        assert!(self.held <= most.cast_signed(), "{} bytes held, {most} promised", self.held);
    }
}

fn allocated() -> isize {
    ALLOCATOR.allocated().cast_signed()
}
