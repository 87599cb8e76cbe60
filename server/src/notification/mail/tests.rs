use chrono::TimeZone;

use super::*;
use crate::notification::{
    notice::{Call, MessageKey, Place},
    testing::sample::{notice, returned},
};

fn letter(notice: &Notice, name: &str) -> String {
    let from = "Tapkeeper <tapkeeper@utility.example>".parse().unwrap();
    let letter =
        compose(notice, name, "someone@example.org", &from, "https://tapkeeper.utility.example/").unwrap();
    String::from_utf8(letter.bytes).unwrap()
}

/// The letter with the line ends of the transport taken away.
fn readable(notice: &Notice) -> String {
    letter(notice, "On call, north").replace("=\r\n", "").replace("\r\n", "\n")
}

fn header(letter: &str, name: &str) -> String {
    let prefix = format!("{name}: ");
    let unfolded = letter.replace("\r\n ", " ");
    unfolded.lines().find_map(|l| l.strip_prefix(&prefix)).unwrap_or_default().to_owned()
}

#[test]
fn the_letter_of_a_raised_alarm_reads_like_this() {
    assert_eq!(readable(&notice()), include_str!("snapshots/raised.eml"));
}

#[test]
fn the_letter_of_its_return_reads_like_this() {
    assert_eq!(readable(&returned()), include_str!("snapshots/returned.eml"));
}

#[test]
fn raised_and_returned_are_one_conversation_and_a_repeated_attempt_is_the_same_letter() {
    let (raised, returned) = (letter(&notice(), "A"), letter(&returned(), "A"));
    let id = header(&raised, "Message-ID");
    assert!(id.starts_with('<') && id.ends_with("@utility.example>"), "{id}");
    // RFC 5322 section 3.6.4: the one answered, and the whole thread; its root is the alarm
    let root = "<about.100001.64bfb2206a800@utility.example>";
    assert_eq!(header(&raised, "References"), root);
    assert_eq!(header(&returned, "In-Reply-To"), id);
    assert_eq!(header(&returned, "References"), format!("{root} {id}"));
    assert_ne!(header(&returned, "Message-ID"), id);
    assert_eq!(header(&raised, "In-Reply-To"), "");
    assert_eq!(raised, letter(&notice(), "A"));
}

#[test]
fn no_name_can_add_a_header() {
    for evil in [
        "x\r\nBcc: thief@example.org",
        "x\nBcc: thief@example.org",
        "x\rBcc: t@example.org",
        "x\u{2028}Bcc: t@e.org",
    ] {
        let mut notice = notice();
        let Place::Regulator(place) = &mut notice.place else { unreachable!() };
        for field in [&mut place.site, &mut place.feeder, &mut place.phase, &mut place.bank] {
            *field = evil.into();
        }
        evil.clone_into(&mut notice.condition);
        evil.clone_into(&mut notice.summary);
        let letter = letter(&notice, evil);
        let (headers, _) = letter.split_once("\r\n\r\n").unwrap();
        let names: Vec<_> = headers
            .lines()
            .filter(|l| !l.starts_with([' ', '\t']))
            .filter_map(|l| l.split(':').next())
            .collect();
        assert_eq!(
            names,
            [
                "From",
                "To",
                "Subject",
                "Date",
                "Message-ID",
                "Auto-Submitted",
                "References",
                "MIME-Version",
                "Content-Type"
            ]
        );
        assert!(!headers.replace("\r\n", "").contains(['\r', '\n']), "{headers:?}");
    }
}

#[test]
fn a_name_cannot_become_markup() {
    let mut notice = notice();
    let Place::Regulator(place) = &mut notice.place else { unreachable!() };
    place.site = "<img src=x>".into();
    let letter = letter(&notice, "A");
    let (_, html) = letter.split_once("text/html").unwrap();
    assert!(!html.contains("<img"), "{html}");
}

#[test]
fn a_long_name_does_not_make_a_long_subject() {
    let mut notice = notice();
    let Place::Regulator(place) = &mut notice.place else { unreachable!() };
    place.site = "Long ".repeat(500);
    let letter = letter(&notice, "A");
    assert!(letter.lines().all(|l| l.len() <= 998), "RFC 5322 section 2.1.1");
    let (_, subject) = letter.split_once("Subject: ").unwrap();
    assert!(subject.split("\r\nDate").next().unwrap().len() < 300);
}

#[test]
fn letters_of_every_script_survive() {
    let mut notice = notice();
    let Place::Regulator(place) = &mut notice.place else { unreachable!() };
    place.site = "Błonie 測試".into();
    let letter = letter(&notice, "Zoë");
    assert!(letter.is_ascii(), "names and bodies are encoded, so any mail server can carry them");
}

#[test]
fn an_address_that_is_none_is_refused_for_good() {
    let from = "t@example.org".parse().unwrap();
    for bad in ["", "nobody", "a b@example.org", "x@example.org\r\nRCPT TO:<y@example.org>"] {
        let outcome = compose(&notice(), "A", bad, &from, "https://x.example");
        assert!(matches!(outcome, Err(Failure::Permanent(_))), "{bad:?}");
    }
}

#[test]
fn the_clock_is_the_sites_also_in_summer_and_utc_where_there_is_none() {
    // Denver is at UTC-7 in winter and UTC-6 in summer (IANA time zone database)
    let zone = Some(chrono_tz::America::Denver);
    let summer = Utc.with_ymd_and_hms(2026, 7, 1, 3, 0, 0).unwrap();
    assert_eq!(time_at_site(summer, zone), "Tue 30 Jun 2026 21:00:00 MDT (1 Jul 03:00:00 UTC)");
    assert_eq!(time_at_site(summer, None), "Wed 1 Jul 2026 03:00:00 UTC");
}

#[test]
fn endpoints_and_pollers_have_places_too() {
    let mut notice = notice();
    notice.condition = "endpoint_silent".into();
    notice.place = Place::Endpoint {
        id: 40_001,
        address: "modbus-tcp://192.0.2.7:502".into(),
        sites: vec!["Quarry Bend".into(), "Mill Road".into()],
        time_zone: None,
    };
    assert_eq!(
        header(&letter(&notice, "A"), "Subject"),
        "[high] Endpoint not answering - Quarry Bend and 1 more (modbus-tcp://192.0.2.7:502)"
    );
    notice.condition = "poller_silent".into();
    notice.place = Place::Poller("north".into());
    assert_eq!(header(&letter(&notice, "A"), "Subject"), "[high] Poller silent - poller north");
}

#[test]
fn numbers_have_the_decimals_that_say_something() {
    assert_eq!([-48.25, 12.0, 0.1 + 0.2, -0.001, 114.0].map(number), ["-48.25", "12", "0.3", "0", "114"]);
}

#[test]
fn messages_of_two_installations_never_share_a_name() {
    let one = MessageKey { notification_id: 1, created_at: Utc.timestamp_micros(1_000_000).unwrap() };
    let other = MessageKey { notification_id: 1, created_at: Utc.timestamp_micros(1_000_001).unwrap() };
    assert_ne!(one.name(), other.name());
}

#[test]
fn whoever_is_called_later_is_told_why_and_where_to_answer() {
    let mut notice = notice();
    notice.call = Some(Call { round: 1, level: Some(2) });
    notice.answer = Some("TOKEN".into());
    let letter = letter(&notice, "A").replace("=\r\n", "");
    assert_eq!(
        header(&letter, "Subject"),
        "[high, unanswered] Reverse power - Quarry Bend phase B (feeder ML 12)"
    );
    assert!(
        letter
            .contains("You are called as level 2 of those on call; nobody before you has acknowledged this.")
    );
    assert!(letter.contains("\r\nhttps://tapkeeper.utility.example/answer/TOKEN\r\n"), "{letter}");
    notice.call = Some(Call { round: 2, level: None });
    assert!(
        self::letter(&notice, "A").replace("=\r\n", "").contains("acknowledged this, in round 2; nobody has")
    );
}

#[test]
fn lengths_of_time_are_in_words() {
    let fact = |value, unit: &str| fact_line(&Fact { label: "reverse for".into(), value, unit: unit.into() });
    assert_eq!(fact(11_100.0, "s"), "reverse for: 3 h 05 min");
    assert_eq!(fact(90.0, "s"), "reverse for: 1 min");
    assert_eq!(fact(2.5, "s"), "reverse for: 2.5 s");
    assert_eq!(fact(2.5, "kW"), "reverse for: 2.5 kW");
}
