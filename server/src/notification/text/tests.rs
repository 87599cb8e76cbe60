use regulator::conditions::Condition;

use super::*;
use crate::notification::{
    notice::{Call, MessageKey, Place, RegulatorPlace},
    testing::sample::{notice, returned},
};

const URL: &str = "https://tapkeeper.utility.example";

/// The default alphabet of 3GPP TS 23.038, section 6.2.1, row by row, its line ends and escape left out (from memory).
const ALPHABET: &str = "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿\
                        abcdefghijklmnopqrstuvwxyzäöñüà";

#[test]
fn the_alphabet_is_the_default_one() {
    assert_eq!(ALPHABET.chars().count(), 128 - 3, "128 places but two line ends and the escape");
    for c in (0..0x3000).filter_map(char::from_u32) {
        assert_eq!(is_basic(c), ALPHABET.contains(c), "{c:?}");
        assert!(basic(&c.to_string()).chars().all(|c| ALPHABET.contains(c)), "{c:?}");
    }
}

#[test]
fn a_text_reads_like_this() {
    let mut notice = notice();
    notice.answer = Some("AbCdEfGhIjKlMnOpQrStUvWxYz01234".into());
    assert_eq!(
        of(&notice, URL),
        "HIGH Reverse power: Quarry Bend B, ML 12, power -48 kW \
         https://tapkeeper.utility.example/answer/AbCdEfGhIjKlMnOpQrStUvWxYz01234"
    );
    assert_eq!(
        of(&returned(), URL),
        "Back to normal: Reverse power, Quarry Bend B, ML 12 https://tapkeeper.utility.example/alarms/100001"
    );
}

#[test]
fn the_longest_names_fit_and_what_matters_most_stays() {
    let long = |word: &str| format!("{word} ").repeat(40);
    for condition in Condition::all() {
        for (url, has_link) in
            [(URL.to_owned(), true), (format!("https://{}.example", "x".repeat(120)), false)]
        {
            let mut notice = notice();
            notice.condition = condition.name().into();
            notice.priority = 4;
            notice.call = Some(Call { round: 3, level: None });
            notice.answer = Some("A".repeat(38));
            notice.summary = format!("load voltage {}, below 114 V", "1".repeat(60));
            notice.place = Place::Regulator(RegulatorPlace {
                regulator_id: 1,
                substation: long("Łąka"),
                feeder: long("Feeder"),
                site: long("Błonie [測試] {x}"),
                bank: long("Bank"),
                phase: "AB".into(),
                time_zone: "America/Denver".into(),
            });
            let text = of(&notice, &url);
            assert!(length(&text) <= LONGEST, "{} {text}", length(&text));
            assert!(text.chars().all(|c| ALPHABET.contains(c)), "{text}");
            let head = format!("CRITICAL {}: Blonie () (x) Blonie", condition.title());
            assert!(text.starts_with(&head), "{text}");
            assert_eq!(text.ends_with(&format!("/answer/{}", "A".repeat(38))), has_link, "{text}");
        }
    }
}

#[test]
fn a_place_of_unknown_letters_leaves_a_whole_text() {
    let mut notice = notice();
    notice.place = Place::Substation { id: 1, name: "測試".into() };
    notice.condition = "substation_silent".into();
    assert!(of(&notice, URL).starts_with("HIGH Substation not answering: substation, power -48 kW https://"));
    notice.place = Place::Poller("測試".into());
    notice.summary = String::new();
    assert!(length(&of(&notice, URL)) <= LONGEST);
}

#[test]
fn a_summary_names_what_fits() {
    let key = MessageKey { notification_id: 1, created_at: notice().created_at };
    let alarms = |substations: usize| {
        (0..12).map(move |n| {
            ("voltage_range_a".to_owned(), 2, format!("Marsh Lane {}", n % substations), n == 0)
        })
    };
    let one = Summary::of(key, alarms(1));
    assert_eq!(
        of_summary(&one, URL),
        "MEDIUM 12 more alarms: 12 x Voltage outside range A at substation Marsh Lane 0 \
         https://tapkeeper.utility.example/alarms"
    );
    assert_eq!(
        one.groups[0].line(),
        "12 x Voltage outside range A at substation Marsh Lane 0, 1 of them over already"
    );
    let many = of_summary(&Summary::of(key, alarms(12)), URL);
    assert!(length(&many) <= LONGEST, "{many}");
    assert!(
        many.starts_with("MEDIUM 12 more alarms: 1 x Voltage") && many.contains(", .. https://"),
        "{many}"
    );
}
