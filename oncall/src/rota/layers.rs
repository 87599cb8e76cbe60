//! One layer over another.

use super::Turn;

/// Paints a turn over others that follow each other without gap: what it covers is cut away.
///
/// What lies wholly outside of what has been painted so far is left out, so that the turns remain without gap; what reaches over an edge is painted whole.
pub(super) fn paint(turns: &mut Vec<Turn>, over: Turn) {
    let (Some(first), Some(last)) = (turns.first(), turns.last()) else { return };
    if over.from >= over.to || over.to <= first.from || over.from >= last.to {
        return;
    }
    let touched = turns.partition_point(|t| t.to <= over.from)..turns.partition_point(|t| t.from < over.to);
    let (first, last) = (turns[touched.start], turns[touched.end - 1]);
    let before = (first.from < over.from).then_some(Turn { to: over.from, ..first });
    let after = (last.to > over.to).then_some(Turn { from: over.to, ..last });
    turns.splice(touched, before.into_iter().chain([over]).chain(after));
}
