//! Our feeds, read by a stranger.

use chrono::{DateTime, Utc};
use oncall::{
    calendar::{Entry, Heading, feed},
    rota::{PersonId, Rota, Turn},
};

use crate::{
    peer::{ask, row},
    rotas::{WINDOW, rotas},
};

const AREA: &str =
    "Nørre Fjord; east, west\\south: a name that is too long for a line of a calendar, whoever chose it";

fn turns_of(person: i32, rota: &Rota) -> Vec<(u8, Turn)> {
    let [from, to] = [WINDOW.0, WINDOW.1].map(|at| at.parse::<DateTime<Utc>>().unwrap());
    let of = |level| rota.turns(level, from, to).into_iter().map(move |turn| (level, turn));
    (1..=rota.level_count()).flat_map(of).filter(|(_, turn)| turn.person == Some(PersonId(person))).collect()
}

#[test]
fn a_feed_says_what_the_rota_does() {
    let rota = &rotas()[2];
    let heading = Heading {
        name: "On call: 1, 2; 3",
        host: "board.example",
        made_at: "2026-11-25T22:00:00Z".parse().unwrap(),
    };
    let persons = [1, 2, 9];
    let feeds = persons.map(|person| {
        let entries = turns_of(person, rota);
        feed(&heading, entries.into_iter().map(|(level, turn)| Entry { rota: 4, area: AREA, level, turn }))
    });
    let answer = ask(std::slice::from_ref(rota), WINDOW, &feeds);
    for (person, read) in persons.into_iter().zip(&answer.feeds) {
        assert_eq!((read.name.as_str(), read.version.as_str()), (heading.name, "2.0"));
        // what the peer itself has worked out for this person
        let levels = (1..).zip(&answer.cases[0]);
        let expected: Vec<_> = levels
            .flat_map(|(level, rows)| rows.iter().map(move |row| (level, row)))
            .filter(|(_, row)| row.0 == Some(person))
            .map(|(level, row): (u8, _)| {
                (row.1.clone(), row.2.clone(), format!("On call, level {level}: {AREA}"))
            })
            .collect();
        let found: Vec<_> = read.events.iter().map(|e| (e.1.clone(), e.2.clone(), e.3.clone())).collect();
        assert_eq!(found, expected, "person {person}");
        assert!(found.len() > 100, "{}", found.len());
        assert!(read.events.iter().all(|e| e.4 == "2026-11-25T22:00:00Z"));
        let mut uids: Vec<_> = read.events.iter().map(|e| &e.0).collect();
        uids.sort_unstable();
        uids.dedup();
        assert_eq!(uids.len(), found.len(), "each turn has a UID of its own");
    }
    assert_eq!(turns_of(9, rota).len(), answer.feeds[2].events.len());
    assert_eq!(row(&turns_of(9, rota)[0].1).1, answer.feeds[2].events[0].1);
}
