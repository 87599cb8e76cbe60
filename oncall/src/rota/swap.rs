//! Two people exchange a turn.

use super::{Override, Turn};

/// What to enter so that each of two turns goes to the person of the other: two overrides, for the same level if both turns are of one,
/// else the first for the level of the first turn and the second for that of the second.
#[must_use]
pub fn swap(turn_a: &Turn, turn_b: &Turn) -> [Override; 2] {
    let exchanged = |of: &Turn, with: &Turn| Override {
        person: with.person,
        from: of.from,
        to: of.to,
        why: "swapped".to_owned(),
    };
    [exchanged(turn_a, turn_b), exchanged(turn_b, turn_a)]
}
