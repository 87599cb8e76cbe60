//! Which requests read a profile's points: as few as the protocol and the profile allow.

use super::point::Point;
use super::{Merge, Profile};
use crate::modbus::{ReadRequest, Table};

/// Where the answer for one point is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Which of the profile's points.
    pub point: usize,
    /// Which of the plan's requests.
    pub request: usize,
    /// The point's first item in the answer to that request.
    pub offset: usize,
}

/// The requests that read some positions of a profile.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReadPlan {
    /// The requests, in the order in which to send them.
    pub requests: Vec<ReadRequest>,
    /// Where each point is found, in the order of the profile.
    pub places: Vec<Place>,
}

impl ReadPlan {
    /// The fewest requests that read every point of these positions.
    ///
    /// No request runs over more unneeded items in a row than the profile's gap, and no value is split between two.
    #[must_use]
    pub fn new(profile: &Profile, positions: &[u8]) -> Self {
        let mut plan = Self::default();
        for &table in Table::ALL {
            let mut wanted: Vec<usize> = (0..profile.points.len())
                .filter(|i| {
                    let p = &profile.points[*i];
                    p.table == table && positions.contains(&p.position)
                })
                .collect();
            wanted.sort_by_key(|i| span(&profile.points[*i]));
            plan.cover(table, &profile.points, &wanted, profile.merge);
        }
        plan.places.sort_by_key(|p| p.point);
        plan
    }

    /// Takes the points from the lowest address up, and puts each into the request begun last if it fits. No choice of
    /// requests can do with fewer: whichever request reads the lowest point cannot reach further than this one.
    fn cover(&mut self, table: Table, points: &[Point], wanted: &[usize], merge: Merge) {
        let (gap, limit) = if table.holds_bits() {
            (merge.bit_gap, merge.max_bits)
        } else {
            (merge.gap, merge.max_registers)
        };
        let mut rest = wanted;
        while let [first, ..] = rest {
            let (start, mut end) = span(&points[*first]);
            let fits = |end: u32, (from, to): (u32, u32)| {
                from <= end + u32::from(gap) && to.max(end) - start <= u32::from(limit)
            };
            let mut taken = 0;
            while let Some(next) = rest.get(taken).map(|i| span(&points[*i])).filter(|next| fits(end, *next))
            {
                end = end.max(next.1);
                taken += 1;
            }
            // A checked profile holds no value wider than a request or past the last address, so both are there.
            let request = u16::try_from(start)
                .ok()
                .zip(u16::try_from(end - start).ok())
                .and_then(|(address, count)| ReadRequest::new(table, address, count));
            let Some(request) = request else { return };
            self.place(request, points, &rest[..taken]);
            rest = &rest[taken..];
        }
    }

    fn place(&mut self, request: ReadRequest, points: &[Point], taken: &[usize]) {
        let index = self.requests.len();
        self.requests.push(request);
        self.places.extend(taken.iter().map(|&point| Place {
            point,
            request: index,
            offset: usize::from(points[point].address - request.address()),
        }));
    }
}

/// The first address of a point, and the one after its last.
fn span(point: &Point) -> (u32, u32) {
    (u32::from(point.address), point.last_address() + 1)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use regulator::Quantity;

    use super::super::point::{Kind, Order};
    use super::*;

    fn point(table: Table, address: u16, wide: bool) -> Point {
        let kind = if table.holds_bits() {
            Kind::Bit
        } else if wide {
            Kind::U32
        } else {
            Kind::U16
        };
        Point {
            quantity: Quantity::LoadVoltage,
            position: 1,
            table,
            address: if wide { address.min(65_534) } else { address },
            kind,
            order: Order::default(),
            scale: 1.0,
            offset: 0.0,
            valid: None,
            not_available: vec![],
            yes_when: vec![],
            rollover: None,
            line: 1,
        }
    }

    fn profile(points: Vec<Point>, gap: u16, max: u16) -> Profile {
        let merge = Merge { gap, bit_gap: gap, max_registers: max.min(125), max_bits: max };
        Profile { title: String::new(), merge, points, objects: vec![] }
    }

    /// Every point lies wholly within its request, and no request breaks a limit or runs over too wide a gap.
    fn holds(profile: &Profile, plan: &ReadPlan) {
        assert_eq!(plan.places.len(), profile.points.len());
        for place in &plan.places {
            let (point, request) = (&profile.points[place.point], plan.requests[place.request]);
            assert_eq!(point.table, request.table());
            assert_eq!(usize::from(point.address), usize::from(request.address()) + place.offset);
            assert!(place.offset + usize::from(point.kind.width()) <= usize::from(request.count()));
        }
        for (i, request) in plan.requests.iter().enumerate() {
            let bits = request.table().holds_bits();
            let (limit, gap) = if bits {
                (profile.merge.max_bits, profile.merge.bit_gap)
            } else {
                (profile.merge.max_registers, profile.merge.gap)
            };
            assert!(request.count() <= limit);
            let members: Vec<_> =
                plan.places.iter().filter(|p| p.request == i).map(|p| &profile.points[p.point]).collect();
            assert!(span_is_allowed(&members, gap, limit));
        }
    }

    /// Whether one request may read exactly these points.
    fn span_is_allowed(points: &[&Point], gap: u16, limit: u16) -> bool {
        let mut spans: Vec<_> = points.iter().map(|p| span(p)).collect();
        spans.sort_unstable();
        let start = spans[0].0;
        let mut end = spans[0].1;
        for (from, to) in spans {
            if from > end + u32::from(gap) {
                return false;
            }
            end = end.max(to);
        }
        end - start <= u32::from(limit)
    }

    /// The fewest allowed groups over all ways to group the points.
    fn fewest(points: &[Point], gap: u16, limit: u16) -> usize {
        fn go<'a>(
            rest: &'a [Point],
            groups: &mut Vec<Vec<&'a Point>>,
            gap: u16,
            limit: u16,
            best: &mut usize,
        ) {
            let Some((point, rest)) = rest.split_first() else {
                if groups.iter().all(|g| span_is_allowed(g, gap, limit)) {
                    *best = (*best).min(groups.len());
                }
                return;
            };
            for i in 0..groups.len() {
                groups[i].push(point);
                go(rest, groups, gap, limit, best);
                groups[i].pop();
            }
            groups.push(vec![point]);
            go(rest, groups, gap, limit, best);
            groups.pop();
        }
        let mut best = usize::MAX;
        go(points, &mut vec![], gap, limit, &mut best);
        best
    }

    proptest! {
        #[test]
        fn every_point_is_read_within_the_limits(
            places in prop::collection::vec((0usize..4, any::<u16>(), any::<bool>()), 1..80),
            clustered in any::<bool>(), gap in 0u16..130, max in 2u16..2000,
        ) {
            let points = places
                .into_iter()
                .map(|(t, a, wide)| point(Table::ALL[t], if clustered { a % 600 } else { a }, wide))
                .collect();
            let profile = profile(points, gap, max);
            holds(&profile, &ReadPlan::new(&profile, &[1]));
        }

        #[test]
        fn no_grouping_needs_fewer_requests(
            places in prop::collection::vec((0u16..24, any::<bool>()), 1..7), gap in 0u16..5, max in 2u16..12,
        ) {
            let points: Vec<_> =
                places.into_iter().map(|(a, wide)| point(Table::Holding, a, wide)).collect();
            let profile = profile(points, gap, max);
            let plan = ReadPlan::new(&profile, &[1]);
            prop_assert_eq!(plan.requests.len(), fewest(&profile.points, gap, max));
        }
    }

    #[test]
    fn only_the_wanted_positions_are_read() {
        let mut other = point(Table::Holding, 100, false);
        other.position = 2;
        let profile = profile(vec![point(Table::Holding, 0, true), other], 0, 125);
        let plan = ReadPlan::new(&profile, &[1]);
        assert_eq!(plan.requests, [ReadRequest::new(Table::Holding, 0, 2).unwrap()]);
        assert_eq!(plan.places.len(), 1);
        assert_eq!(ReadPlan::new(&profile, &[1, 2]).requests.len(), 2);
    }
}
