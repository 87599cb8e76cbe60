use regulator::{Quantity, Reading};

use super::*;
use crate::frame::Section;

/// A made-up regulator; every fifth needs a hand.
fn row(n: i32) -> Arc<Row> {
    let now = Timestamp::UNIX_EPOCH;
    let reading = Reading::new(now)
        .with(Quantity::LoadVoltage, 118.0 + f64::from(n % 8))
        .with(Quantity::SetVoltage, 122.0)
        .with(Quantity::Bandwidth, 2.0);
    let state = if n % 5 == 0 { State::High } else { State::Healthy };
    let alarm = Mark {
        id: 100_000 + i64::from(n),
        title: "Reverse power",
        level: "high",
        acknowledged: false,
        held: None,
    };
    Arc::new(Row {
        place: Place {
            substation: format!("Substation {}", n / 200),
            feeder: format!("Feeder {}", n / 42),
            site: format!("Site <{}>", n / 3),
            bank: "1".into(),
            phase: ["A", "B", "C"][usize::try_from(n % 3).unwrap()],
            substation_id: n / 200,
            feeder_id: n / 42,
            site_id: n / 3,
            banks_at_site: 1,
        },
        live: Live {
            id: n,
            state,
            level: state.level(),
            word: state.word(),
            old: false,
            volts: Cell::of(&reading, Quantity::LoadVoltage, 1),
            bar: Bar::of(&reading, 120.0),
            amps: Cell::missing("none"),
            power: Cell::good("12\u{a0}kW".into()),
            flow: Flow::Forward,
            way: Flow::Forward.words(),
            tap: Cell::good("+3".into()),
            ops: Cell::good("4".into()),
            at: Some(now.timestamp_millis()),
            alarms: if state == State::High { vec![alarm] } else { vec![] },
            maintenance: false,
        },
        band: "band 121.0 to 123.0 V".into(),
    })
}

fn board(count: i32, filter: &Filter) -> Board {
    let rows: Vec<_> = (0..count).map(row).collect();
    let tally = tally(&rows, filter);
    let fleet = rows.len();
    let rows: Vec<_> = rows.into_iter().filter(|r| filter.admits(r)).collect();
    Board {
        frame: Frame { title: "Board".into(), section: Section::Board, viewer: None, notice: None },
        banners: vec![],
        flood: None,
        tally,
        filter: filter.clone(),
        substations: vec![],
        conditions: vec![],
        shown: rows.len(),
        fleet,
        groups: arranged(rows, filter.view),
        version: "e-1".into(),
        now: Timestamp::UNIX_EPOCH,
    }
}

#[test]
fn what_needs_a_hand_stands_first_and_each_regulator_once() {
    let html = board(40, &Filter::default()).render().unwrap();
    let ids: Vec<_> = html.match_indices("<tr id=\"r").collect();
    assert_eq!(ids.len(), 40);
    let last_high = html.find("<tr id=\"r35\"").unwrap();
    assert!(last_high < html.find("<tr id=\"r1\"").unwrap());
    assert!(html.contains("Needs a hand"));
}

#[test]
fn names_from_the_inventory_are_escaped() {
    let html = board(3, &Filter::default()).render().unwrap();
    assert!(!html.contains("Site <0>"));
    assert!(html.contains("Site &#60;0&#62;"));
}

#[test]
fn nothing_in_the_page_breaks_the_content_security_policy() {
    let html = board(10, &Filter::default()).render().unwrap();
    assert!(!html.contains(" style=") && !html.contains("<style") && !html.contains(" onclick"));
    assert_eq!(html.matches("<script").count(), html.matches("<script src=\"/assets/").count());
}

#[test]
fn by_place_each_feeder_is_a_group_and_the_most_urgent_comes_first() {
    let filter = Filter { view: View::Place, ..Filter::default() };
    let page = board(100, &filter);
    assert_eq!(page.groups.len(), 3);
    let first = &page.groups[0];
    assert_eq!(first.title, "Substation 0 › Feeder 0");
    assert_eq!(first.rows[0].place.site_id, 0);
    assert_eq!(first.note, "14 sites, 42 regulators");
    assert_eq!(first.counts, [(State::High, 9)]);
    // within the feeder, a site with an alarm stands before one without
    let sites: Vec<_> = first.rows.iter().map(|r| r.place.site_id).collect();
    let alarmed: Vec<_> =
        first.rows.iter().filter(|r| r.live.state == State::High).map(|r| r.place.site_id).collect();
    let last_alarmed = sites.iter().rposition(|s| alarmed.contains(s)).unwrap();
    assert!(sites[..last_alarmed].iter().all(|s| alarmed.contains(s)));
}

#[test]
fn a_filter_leaves_only_what_was_asked_for_and_counts_stay_whole() {
    let page = board(40, &Filter { state: Some(State::High), ..Filter::default() });
    assert_eq!((page.shown, page.fleet), (8, 40));
    let high = page.tally.iter().find(|t| t.state == State::High).unwrap();
    assert_eq!((high.count, high.here, high.href.as_str()), (8, true, "/"));
    let page = board(40, &Filter { text: "site <7>".into(), ..Filter::default() });
    assert_eq!(page.shown, 3);
}
