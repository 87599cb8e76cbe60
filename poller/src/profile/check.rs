//! What the points of a profile must not do to one another.

use super::Merge;
use super::errors::Faults;
use super::point::Point;

/// Notes points that map the same thing twice, or that cannot be read in one request.
pub(super) fn points(points: &[Point], merge: Merge, faults: &mut Faults<'_>) {
    for (i, point) in points.iter().enumerate() {
        let same = |p: &&Point| p.quantity == point.quantity && p.position == point.position;
        if let Some(earlier) = points[..i].iter().find(same) {
            let what = format!("is mapped twice: first at line {}", earlier.line);
            faults.add_at_line(
                point.line,
                Some(&point.label()),
                what,
                "remove one, or give another position or quantity",
            );
        }
        if !point.table.holds_bits() && point.kind.width() > merge.max_registers {
            faults.add_at_line(
                point.line,
                Some(&point.label()),
                format!(
                    "takes {} registers, but max_registers is {}",
                    point.kind.width(),
                    merge.max_registers
                ),
                "raise max_registers: a value must be read in one request",
            );
        }
    }
}
