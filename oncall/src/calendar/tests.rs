use super::*;
use crate::rota::{PersonId, Why};

fn turn(from: &str, to: &str) -> Turn {
    Turn {
        person: Some(PersonId(1)),
        from: from.parse().unwrap(),
        to: to.parse().unwrap(),
        why: Why::Regular,
    }
}

fn feed_of(name: &str, area: &str) -> String {
    let heading = Heading { name, host: "board.example", made_at: "2026-11-25T22:00:00Z".parse().unwrap() };
    let turn = turn("2026-11-23T13:00:00Z", "2026-11-30T13:00:00Z");
    feed(&heading, [Entry { rota: 3, area, level: 2, turn }])
}

/// RFC 5545, section 3.1: "Lines of text SHOULD NOT be longer than 75 octets, excluding the line break", folded by CRLF and one space, and put together
/// again by taking both out.
#[test]
fn long_lines_are_folded_at_75_octets() {
    let area = "Überlandnetz Ost, Umspannwerke und Regler zwischen Großem Höhenzug und Küstenstraße, samt Außenstellen";
    let feed = feed_of("Calendar", area);
    assert!(feed.ends_with("\r\n"));
    for line in feed.split_terminator("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
        assert!(!line.contains(['\r', '\n']));
    }
    assert!(feed.contains("\r\n "), "this one needs folding");
    let summary = format!("\r\nSUMMARY:On call\\, level 2: {}\r\n", area.replace(',', "\\,"));
    assert!(feed.replace("\r\n ", "").contains(&summary), "{feed}");
}

/// Section 3.3.11: backslash, semicolon, comma and line feed are escaped by a backslash. Nobody can put a line of his own into the feed.
#[test]
fn text_is_escaped() {
    let feed = feed_of("a;b,c\\d", "North\r\nEND:VEVENT\u{7}");
    assert!(feed.contains("\r\nX-WR-CALNAME:a\\;b\\,c\\\\d\r\n"), "{feed}");
    assert!(feed.contains("\r\nSUMMARY:On call\\, level 2: North\\nEND:VEVENT\r\n"), "{feed}");
    assert_eq!(feed.matches("\r\nEND:VEVENT\r\n").count(), 1);
}

/// Section 3.6: a calendar needs PRODID and VERSION; section 3.6.1: an event needs DTSTAMP and UID.
#[test]
fn a_feed_has_what_the_standard_requires() {
    let expected = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Tapkeeper//On call//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        "NAME:Turns",
        "X-WR-CALNAME:Turns",
        "BEGIN:VEVENT",
        "DTEND:20261130T130000Z",
        "DTSTAMP:20261125T220000Z",
        "DTSTART:20261123T130000Z",
        "SUMMARY:On call\\, level 2: North",
        "UID:rota-3-level-2-20261123T130000Z@board.example",
        "END:VEVENT",
        "END:VCALENDAR",
    ];
    assert_eq!(feed_of("Turns", "North").split_terminator("\r\n").collect::<Vec<_>>(), expected);
}

/// Section 3.8.4.7: the UID stays, so that a calendar knows the turn again when its end has been moved.
#[test]
fn a_turn_keeps_its_uid_when_its_end_moves() {
    let uid = |to: &str| {
        let heading =
            Heading { name: "", host: "board.example", made_at: "2026-11-25T22:00:00Z".parse().unwrap() };
        let entry = Entry { rota: 3, area: "North", level: 1, turn: turn("2026-11-23T13:00:00Z", to) };
        let feed = feed(&heading, [entry]);
        feed.lines().find(|line| line.starts_with("UID:")).unwrap().to_owned()
    };
    assert_eq!(uid("2026-11-30T13:00:00Z"), uid("2026-11-25T08:00:00Z"));
}
