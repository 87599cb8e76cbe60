//! The spans that the next readings will most likely touch, kept from one pass to the next: a regulator's minutes of its newest
//! hour, its hours of its newest day. Live data then reads back no rollups at all.

use std::collections::{HashMap, HashSet, hash_map::Entry};

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;

use super::{
    bucket::Bucket,
    tables::{self, Stretch, Table},
};

/// A regulator and the start of one of its hours (or days).
pub(super) type Parent = (i32, DateTime<Utc>);

/// The children of some parents, all that are stored, in order of time.
#[derive(Debug, Default)]
pub(super) struct Shelf(HashMap<Parent, Vec<Bucket>>);

impl Shelf {
    /// Reads the children of those parents that are not here yet. `reach`: how long before and after the start of a parent its
    /// children may begin. `parent_of` says whose child a span is.
    pub(super) async fn fill(
        &mut self,
        connection: &mut PgConnection,
        table: Table,
        parents: &[Parent],
        (before, after): (TimeDelta, TimeDelta),
        parent_of: impl Fn(i32, DateTime<Utc>) -> DateTime<Utc>,
    ) -> sqlx::Result<()> {
        let mut stretches: Vec<Stretch> = Vec::new();
        for &(regulator_id, start) in parents {
            if let Entry::Vacant(place) = self.0.entry((regulator_id, start)) {
                place.insert(Vec::new());
                let (from, past) = (start - before, start + after);
                match stretches.last_mut() {
                    Some(last) if last.regulator_id == regulator_id && from <= last.past => last.past = past,
                    _ => stretches.push(Stretch { regulator_id, from, past }),
                }
            }
        }
        let asked: HashSet<Parent> = parents.iter().copied().collect();
        for (regulator_id, child) in tables::stored(connection, table, &stretches).await? {
            let parent = (regulator_id, parent_of(regulator_id, child.start));
            if asked.contains(&parent)
                && let Some(children) = self.0.get_mut(&parent)
            {
                put(children, child);
            }
        }
        Ok(())
    }

    /// Puts a child in its place and says whether it was stored already.
    pub(super) fn put(&mut self, parent: Parent, child: Bucket) -> bool {
        put(self.0.entry(parent).or_default(), child)
    }

    pub(super) fn children(&self, parent: &Parent) -> &[Bucket] {
        self.0.get(parent).map_or(&[], Vec::as_slice)
    }

    /// Keeps the newest parent of each regulator.
    pub(super) fn tidy(&mut self) {
        let mut newest: HashMap<i32, DateTime<Utc>> = HashMap::new();
        for &(regulator, start) in self.0.keys() {
            let known = newest.entry(regulator).or_insert(start);
            *known = start.max(*known);
        }
        self.0.retain(|(regulator, start), _| newest.get(regulator) == Some(start));
    }
}

fn put(children: &mut Vec<Bucket>, child: Bucket) -> bool {
    // nearly always the newest
    let at = children.partition_point(|c| c.start < child.start);
    match children.get_mut(at).filter(|c| c.start == child.start) {
        Some(there) => {
            *there = child;
            true
        }
        None => {
            children.insert(at, child);
            false
        }
    }
}
