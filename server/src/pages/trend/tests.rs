use super::*;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

#[test]
fn an_address_leads_to_a_range_or_to_a_clear_word() {
    let now = at("2026-03-01T12:00:00Z");
    let asked = |span: Option<&str>, from: Option<&str>, to: Option<&str>| Asked {
        span: span.map(str::to_owned),
        from: from.map(at),
        to: to.map(at),
        pad: None,
    };
    let usual = asked(None, None, None).range(now).unwrap();
    assert_eq!((usual.from, usual.to), (at("2026-02-28T12:00:00Z"), now));
    assert_eq!(asked(Some("7d"), None, None).range(now).unwrap().length(), TimeDelta::days(7));
    let one = asked(None, Some("2026-01-01T00:00:00Z"), Some("2026-01-02T00:00:00Z")).range(now).unwrap();
    assert_eq!(one.fixed(), "from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z");
    for bad in [
        asked(Some("5w"), None, None),
        asked(None, Some("2026-01-01T00:00:00Z"), None),
        asked(None, Some("2026-01-02T00:00:00Z"), Some("2026-01-01T00:00:00Z")),
        asked(None, Some("2016-01-02T00:00:00Z"), Some("2026-01-01T00:00:00Z")),
    ] {
        assert!(matches!(bad.range(now), Err(WebError::BadRequest(_))), "{bad:?}");
    }
}
