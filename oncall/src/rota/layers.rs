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
    let before = turns.iter().filter(|t| t.from < over.from).map(|t| Turn { to: t.to.min(over.from), ..*t });
    let after = turns.iter().filter(|t| t.to > over.to).map(|t| Turn { from: t.from.max(over.to), ..*t });
    *turns = before.chain([over]).chain(after).collect();
}
