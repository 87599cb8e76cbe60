//! What the points of a profile must not do to one another.

use std::collections::HashMap;

use regulator::Quantity;

use super::Merge;
use super::errors::Faults;
use super::object::ObjectPoint;
use super::point::{Point, label};

/// Notes points that map the same thing twice, or that cannot be read in one request.
pub(super) fn points(points: &[Point], merge: Merge, faults: &mut Faults<'_>) {
    once_each(points.iter().map(|p| (p.quantity, p.position, p.line)), faults);
    for point in points {
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

/// Notes objects that map the same thing twice. One object may say several things.
pub(super) fn objects(objects: &[ObjectPoint], faults: &mut Faults<'_>) {
    once_each(objects.iter().map(|p| (p.quantity, p.position, p.line)), faults);
}

fn once_each(points: impl Iterator<Item = (Quantity, u8, usize)>, faults: &mut Faults<'_>) {
    let mut first = HashMap::new();
    for (quantity, position, line) in points {
        let Some(earlier) = first.get(&(quantity, position)) else {
            first.insert((quantity, position), line);
            continue;
        };
        faults.add_at_line(
            line,
            Some(&label(quantity.name(), position)),
            format!("is mapped twice: first at line {earlier}"),
            "remove one, or give another position or quantity",
        );
    }
}
