//! How rows are arranged: those that need a hand first, or all by place.

use std::{cmp::Reverse, collections::HashMap, sync::Arc};

use super::{Row, State};

/// The two arrangements.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum View {
    /// What needs a hand comes first, most urgent on top; the quiet rest follows by place.
    #[default]
    Urgent,
    /// Substation, feeder, site, the most urgent first at every level; the phases of a bank stay together.
    Place,
}

impl View {
    /// The name in addresses.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Urgent => "urgent",
            Self::Place => "place",
        }
    }
}

/// Rows under one heading.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The heading.
    pub title: String,
    /// The feeder that all of it is of.
    pub feeder_id: Option<i32>,
    /// What is below it in words: "4 sites, 12 regulators".
    pub note: String,
    /// How many are in each state that needs a hand, most urgent first.
    pub counts: Vec<(State, usize)>,
    /// Whether rows must name their substation and feeder themselves.
    pub names_places: bool,
    /// The rows.
    pub rows: Vec<Arc<Row>>,
}

/// The rows in groups.
#[must_use]
pub fn arranged(rows: Vec<Arc<Row>>, view: View) -> Vec<Group> {
    match view {
        View::Place => by_place(rows),
        View::Urgent => {
            let (mut urgent, quiet): (Vec<_>, Vec<_>) =
                rows.into_iter().partition(|r| r.live.state.needs_a_hand());
            urgent.sort_by(|a, b| (a.live.state, &a.place).cmp(&(b.live.state, &b.place)));
            let first = (!urgent.is_empty()).then(|| group("Needs a hand".to_owned(), urgent, true));
            first.into_iter().chain(by_place(quiet)).collect()
        }
    }
}

fn group(title: String, rows: Vec<Arc<Row>>, names_places: bool) -> Group {
    let mut sites: Vec<_> = rows.iter().map(|r| r.place.site_id).collect();
    sites.sort_unstable();
    sites.dedup();
    let note = format!("{}, {}", counted(sites.len(), "site"), counted(rows.len(), "regulator"));
    let counts = State::ALL
        .iter()
        .filter(|s| s.needs_a_hand())
        .map(|&s| (s, rows.iter().filter(|r| r.live.state == s).count()))
        .filter(|(_, n)| *n > 0)
        .collect();
    let feeder_id = rows.first().filter(|_| !names_places).map(|r| r.place.feeder_id);
    Group { title, feeder_id, note, counts, names_places, rows }
}

fn counted(n: usize, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") }
}

/// How urgent a part of the fleet is: its worst state, then how many are in it.
type Urgency = (State, Reverse<usize>);

fn by_place(mut rows: Vec<Arc<Row>>) -> Vec<Group> {
    let substation = urgencies(&rows, |r| r.place.substation_id);
    let feeder = urgencies(&rows, |r| r.place.feeder_id);
    let site = urgencies(&rows, |r| r.place.site_id);
    rows.sort_by_cached_key(|r| {
        let p = &r.place;
        let names = (p.substation.clone(), p.feeder.clone(), p.site.clone());
        (
            (substation[&p.substation_id], names.0),
            (feeder[&p.feeder_id], names.1),
            (site[&p.site_id], names.2),
            (p.bank.clone(), p.phase),
        )
    });
    let of_feeder = |a: &Arc<Row>, b: &Arc<Row>| a.place.feeder_id == b.place.feeder_id;
    rows.chunk_by(of_feeder)
        .map(|rows| {
            let place = &rows[0].place;
            group(format!("{} › {}", place.substation, place.feeder), rows.to_vec(), false)
        })
        .collect()
}

fn urgencies(rows: &[Arc<Row>], part: impl Fn(&Row) -> i32) -> HashMap<i32, Urgency> {
    let mut worst: HashMap<i32, (State, usize)> = HashMap::new();
    for row in rows {
        let entry = worst.entry(part(row)).or_insert((State::Healthy, 0));
        match row.live.state.cmp(&entry.0) {
            std::cmp::Ordering::Less => *entry = (row.live.state, 1),
            std::cmp::Ordering::Equal => entry.1 += 1,
            std::cmp::Ordering::Greater => {}
        }
    }
    worst.into_iter().map(|(id, (state, n))| (id, (state, Reverse(n)))).collect()
}
