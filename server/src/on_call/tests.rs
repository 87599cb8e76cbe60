//! Who is on call, as frames tell it.

use chrono::{DateTime, Utc};
use oncall::rota::{Level, Override, PersonId, Rota, Share, Start};

use super::{AreaKind, Kept, Stored, line};
use crate::{
    people::Role,
    testing::{Browser, TestApp},
};

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn level(persons: &[i32]) -> Level {
    Level {
        start: Some(Start { date: "2026-11-02".parse().unwrap(), time: "08:00:00".parse().unwrap() }),
        turns: persons.iter().map(|id| Share { person: PersonId(*id), days: 7 }).collect(),
        ..Level::default()
    }
}

fn stored(levels: Vec<Level>) -> Stored {
    let rota = Rota { zone: chrono_tz::America::Denver, levels, holidays: Default::default() };
    Stored {
        id: 70_001,
        name: "Fleet".into(),
        kind: AreaKind::Fleet,
        area_id: None,
        area: "Whole fleet".into(),
        version: 1,
        kept: Kept { rota, holiday_names: Default::default() },
    }
}

fn said(levels: Vec<Level>, now: &str) -> String {
    let names = [(1, "Ann".to_owned()), (2, "Bob".to_owned())].into();
    line(&stored(levels), at(now), &names)
}

#[test]
fn the_line_names_who_until_when_and_who_then() {
    // Wednesday 25 November 2026, 15:00 in Denver; weeks from Monday 2 November on: Ann, Bob, Ann, Bob
    let now = "2026-11-25T22:00:00Z";
    assert_eq!(said(vec![level(&[1, 2])], now), "Bob until Mon 08:00, then Ann");
    assert_eq!(said(vec![level(&[1, 2]), level(&[2, 1])], now), "Bob (level 1) until Mon 08:00, then Ann");
    assert_eq!(said(vec![level(&[1])], now), "Ann", "always the same person");
    assert_eq!(said(vec![], now), "nobody, the rota has no levels yet");
}

#[test]
fn nobody_is_said_and_the_next_level_is_named_when_it_has_somebody() {
    let off = Override {
        person: None,
        from: at("2026-11-25T20:00:00Z"),
        to: at("2026-11-25T23:00:00Z"),
        why: String::new(),
    };
    let empty = Level { overrides: vec![off], ..level(&[1]) };
    let now = "2026-11-25T22:00:00Z";
    assert_eq!(said(vec![empty.clone()], now), "nobody until 16:00, then Ann");
    assert_eq!(said(vec![empty, level(&[2])], now), "Bob (level 2)");
    assert_eq!(said(vec![level(&[1])], "2026-10-30T15:00:00Z"), "nobody until Mon 08:00, then Ann");
    assert_eq!(said(vec![level(&[1])], "2026-10-01T15:00:00Z"), "nobody until Mon 2 Nov 08:00, then Ann");
}

#[tokio::test]
async fn every_page_says_who_is_on_call_also_while_the_database_is_away() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let now = Utc::now();
    let mut first = stored(vec![level(&[browser.person_id])]);
    first.kept.holiday_names.insert("2026-12-25".parse().unwrap(), "Midwinter".into());
    let mut db = test.db().await;
    sqlx::query("insert into rota (name, area_kind, rota) values ('Fleet', 'fleet', $1)")
        .bind(serde_json::to_value(&first.kept).unwrap())
        .execute(&mut *db)
        .await
        .unwrap();
    assert_eq!(super::all(&mut db).await.unwrap()[0].kept, first.kept, "as it was stored");
    assert!(!test.get(&browser, "/").await.body.contains("on-call"), "not known yet");
    test.app.on_call.refresh(&mut db, now).await.unwrap();
    for path in ["/", "/alarms", "/nowhere"] {
        let page = test.get(&browser, path).await.body;
        assert!(page.contains("On call</a>: Person who may view"), "{path}: {page}");
    }
    let door = test.get(&Browser::default(), "/sign-in").await.body;
    assert!(!door.contains("Person who may view"), "names are for those who are signed in");
    drop(db);
    test.app.pool.close().await;
    let page = test.get(&browser, "/").await.body;
    assert!(page.contains("On call</a>: Person who may view"), "{page}");
}

#[tokio::test]
async fn several_rotas_fold_away_and_a_broken_one_silences_no_other() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let mut db = test.db().await;
    crate::testing::regulator(&mut db).await;
    let kept = serde_json::to_value(stored(vec![level(&[browser.person_id])]).kept).unwrap();
    sqlx::query(
        "insert into rota (name, area_kind, area_id, rota)
         select 'Fleet', 'fleet', null, $1::jsonb union all select 'East', 'substation', id, $1 from substation
         union all select 'Broken', 'feeder', id, '{}' from feeder",
    )
    .bind(kept)
    .execute(&mut *db)
    .await
    .unwrap();
    test.app.on_call.refresh(&mut db, Utc::now()).await.unwrap();
    let page = test.get(&browser, "/").await.body;
    assert!(page.contains("Whole fleet</span>, and 1 more</summary>"), "{page}");
    assert!(page.contains("Substation East</a>: Person who may view"), "{page}");
}
