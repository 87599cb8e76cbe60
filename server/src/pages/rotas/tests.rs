//! Rotas, seen from the browser.

use axum::http::StatusCode;
use chrono::{Days, NaiveDate, Utc};
use oncall::rota::{PersonId, Why};

use crate::{
    on_call::{self, Stored},
    people::Role,
    testing::{Answer, Browser, TestApp, regulator},
};

/// A rota of the fleet, and an engineer who changes it.
struct Story {
    test: TestApp,
    browser: Browser,
    other: i32,
}

impl Story {
    async fn new() -> Self {
        let test = TestApp::new().await;
        regulator(&mut *test.db().await).await;
        let browser = test.browser(Role::Engineer).await;
        let other = test.browser(Role::Operate).await.person_id;
        let fields = [("name", "Fleet"), ("area", "fleet"), ("zone", "America/Denver")];
        let added = test.post(&browser, "/rotas", &fields).await;
        assert_eq!(added.status, StatusCode::SEE_OTHER, "{}", added.body);
        Self { test, browser, other }
    }

    async fn stored(&self) -> Stored {
        on_call::all(&mut *self.test.db().await).await.unwrap().remove(0)
    }

    /// Sends a form with the version that is stored.
    async fn act(&self, fields: &[(&str, &str)]) -> Answer {
        let version = self.stored().await.version.to_string();
        self.act_on(&version, fields).await
    }

    async fn act_on(&self, version: &str, fields: &[(&str, &str)]) -> Answer {
        let id = self.stored().await.id;
        let fields: Vec<_> = fields.iter().copied().chain([("version", version)]).collect();
        self.test.post(&self.browser, &format!("/rotas/{id}"), &fields).await
    }

    /// A first level of weekly turns from two weeks ago on: the engineer, then the other.
    async fn weekly(&self) {
        let (me, other) = (self.browser.person_id.to_string(), self.other.to_string());
        let start = (today() - Days::new(14)).to_string();
        let answer = self
            .act(&[
                ("act", "turns"),
                ("level", "new"),
                ("start_date", &start),
                ("start_time", "08:00"),
                ("length", "week"),
                ("person", &me),
                ("days", "7"),
                ("person", &other),
                ("days", ""),
                ("person", ""),
                ("days", "7"),
            ])
            .await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    }
}

fn today() -> NaiveDate {
    Utc::now().with_timezone(&chrono_tz::America::Denver).date_naive()
}

fn refused(answer: &Answer, why: &str) {
    assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{}", answer.body);
    assert!(answer.body.contains(why), "{why} in {}", answer.body);
}

#[tokio::test]
async fn a_rota_is_begun_for_an_area_and_each_area_has_one() {
    let story = Story::new().await;
    let list = story.test.get(&story.browser, "/rotas").await.body;
    assert!(list.contains("Whole fleet") && list.contains("nobody, the rota has no levels yet"), "{list}");
    for (name, area, zone, why) in [
        ("Again", "fleet", "UTC", "one for Whole fleet"),
        ("Fleet", "substation:9", "UTC", "not in the inventory"),
        ("", "fleet", "UTC", "Give it a name"),
        ("East", "fleet", "Denver", "“Denver” is not a time zone"),
    ] {
        let fields = [("name", name), ("area", area), ("zone", zone)];
        let answer = story.test.post(&story.browser, "/rotas", &fields).await;
        refused(&answer, why);
        assert!(answer.body.contains(&format!("value=\"{zone}\"")), "what was typed stays");
    }
}

#[tokio::test]
async fn turns_are_entered_shown_recorded_and_told_on_every_page() {
    let story = Story::new().await;
    story.weekly().await;
    let stored = story.stored().await;
    let level = &stored.kept.rota.levels[0];
    assert_eq!(
        level.turns.iter().map(|s| (s.person.0, s.days)).collect::<Vec<_>>(),
        [(story.browser.person_id, 7), (story.other, 7)]
    );
    let page = story.test.get(&story.browser, &format!("/rotas/{}", stored.id)).await.body;
    for words in ["Person who may engineer", "regular turn", "Level 1 added, turns from", "class=\"now\""] {
        assert!(page.contains(words), "{words} in {page}");
    }
    let board = story.test.get(&story.browser, "/").await.body;
    assert!(
        board.contains("Person who may engineer until") || board.contains("Person who may operate until"),
        "{board}"
    );
    let viewer = story.test.browser(Role::View).await;
    let seen = story.test.get(&viewer, &format!("/rotas/{}", stored.id)).await.body;
    assert!(
        seen.contains("regular turn") && !seen.contains("name=\"act\""),
        "seen by all, changed by engineers"
    );
}

#[tokio::test]
async fn what_the_rota_cannot_be_is_refused_at_the_form_and_what_was_typed_stays() {
    let story = Story::new().await;
    let person = story.other.to_string();
    let turns = |date, person, days| {
        vec![
            ("act", "turns"),
            ("level", "new"),
            ("start_date", date),
            ("start_time", "08:15"),
            ("length", "own"),
            ("person", person),
            ("days", days),
        ]
    };
    for (fields, why) in [
        (turns("2026-11-30", "", "7"), "has nobody in its list of turns"),
        (turns("30.11.2026", &person, "7"), "“30.11.2026” is not a date"),
        (turns("2026-11-30", &person, "0"), "Row 1: “0” is not a number of days"),
        (turns("2026-11-30", "4711", "7"), "Choose a person from the list"),
    ] {
        let answer = story.act(&fields).await;
        refused(&answer, why);
        assert!(answer.body.contains("value=\"08:15\""), "{}", answer.body);
        assert!(answer.body.contains("id=\"turns-new-fault\""), "at its form");
    }
    assert_eq!(story.stored().await.version, 1, "nothing was stored");
}

#[tokio::test]
async fn who_comes_second_is_told_and_overwrites_nothing() {
    let story = Story::new().await;
    story.weekly().await;
    let holiday = [("act", "add_holiday"), ("date", "2026-12-25"), ("name", "Midwinter")];
    let late = story.act_on("1", &holiday).await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(
        late.body.contains("changed meanwhile by Person who may engineer: “Level 1 added"),
        "{}",
        late.body
    );
    assert!(late.body.contains("value=\"Midwinter\""), "what was typed stays");
    assert!(story.stored().await.kept.rota.holidays.is_empty());
    assert_eq!(story.act(&holiday).await.status, StatusCode::SEE_OTHER);
    refused(&story.act(&holiday).await, "2026-12-25 is a holiday already: Midwinter");
}

#[tokio::test]
async fn holidays_go_to_their_own_list() {
    let story = Story::new().await;
    story.weekly().await;
    let day = today() + Days::new(3);
    let date = day.to_string();
    story.act(&[("act", "add_holiday"), ("date", &date), ("name", "Founders’ day")]).await;
    let other = story.other.to_string();
    story.act(&[("act", "holiday_order"), ("level", "1"), ("person", &other), ("person", "")]).await;
    let stored = story.stored().await;
    let noon = oncall::local::instant(stored.kept.rota.zone, day.and_hms_opt(12, 0, 0).unwrap());
    let turn = stored.kept.rota.turn_at(1, noon).unwrap();
    assert_eq!((turn.person, turn.why), (Some(PersonId(story.other)), Why::Holiday));
    let page = story.test.get(&story.browser, &format!("/rotas/{}", stored.id)).await.body;
    assert!(page.contains("holiday: Founders’ day"), "{page}");
    story.act(&[("act", "remove_holiday"), ("date", &date)]).await;
    let kept = story.stored().await.kept;
    assert!(kept.rota.holidays.is_empty() && kept.holiday_names.is_empty());
}

#[tokio::test]
async fn an_override_is_entered_and_taken_away_and_one_that_has_begun_ends() {
    let story = Story::new().await;
    story.weekly().await;
    let stamp = |days: i64| (today() + chrono::TimeDelta::days(days)).format("%Y-%m-%dT12:00").to_string();
    let enter = async |person: &str, from: &str, to: &str| {
        story
            .act(&[
                ("act", "override"),
                ("level", "1"),
                ("person", person),
                ("from", from),
                ("to", to),
                ("why", "ill"),
            ])
            .await
    };
    let (before, soon, later) = (stamp(-2), stamp(2), stamp(3));
    refused(&enter("nobody", &later, &soon).await, "ends before it has begun");
    refused(&enter("nobody", &stamp(-4), &before).await, "over already");
    refused(&enter("", &soon, &later).await, "Choose a person");
    assert_eq!(enter("nobody", &soon, &later).await.status, StatusCode::SEE_OTHER);
    refused(&enter("nobody", &soon, &later).await, "says the same as override 1");
    let page = story.test.get(&story.browser, "/rotas/70001").await.body;
    assert!(page.contains("override: ill"), "{page}");
    let gone = story.act(&[("act", "remove_override"), ("level", "1"), ("number", "1")]).await;
    assert_eq!(gone.status, StatusCode::SEE_OTHER, "{}", gone.body);
    assert!(story.stored().await.kept.rota.levels[0].overrides.is_empty());

    enter(&story.other.to_string(), &before, &later).await;
    story.act(&[("act", "remove_override"), ("level", "1"), ("number", "1")]).await;
    let over = story.stored().await.kept.rota.levels[0].overrides[0].clone();
    assert!(over.to <= Utc::now() && over.from < over.to, "what has been stays");
    refused(&story.act(&[("act", "remove_override"), ("level", "1"), ("number", "1")]).await, "It is over");
}

#[tokio::test]
async fn two_turns_are_swapped() {
    let story = Story::new().await;
    story.weekly().await;
    let stored = story.stored().await;
    let now = Utc::now();
    let ahead = stored.kept.rota.turns(1, now, now + chrono::TimeDelta::weeks(4));
    let value = |i: usize| format!("1@{}", ahead[i].from.format("%Y-%m-%dT%H:%M:%SZ"));
    let swap =
        async |one: &str, other: &str| story.act(&[("act", "swap"), ("one", one), ("other", other)]).await;
    refused(&swap(&value(1), &value(3)).await, "Both turns are of");
    refused(&swap("1@2020-01-01T00:00:00Z", &value(1)).await, "no longer there");
    assert_eq!(swap(&value(1), &value(2)).await.status, StatusCode::SEE_OTHER);
    let rota = story.stored().await.kept.rota;
    let of = |i: usize| rota.on_call(1, ahead[i].from);
    assert_eq!((of(1), of(2)), (ahead[2].person, ahead[1].person));
}

/// The United States change their clocks on the second Sunday of March and the first of November (Energy Policy Act of 2005, section 110).
#[tokio::test]
async fn an_hour_that_is_skipped_or_comes_twice_is_taken_and_said() {
    let story = Story::new().await;
    story.weekly().await;
    let other = story.other.to_string();
    for (from, to, key) in [
        ("2098-03-09T02:30", "2098-03-09T12:00", "skipped"),
        ("2098-11-02T01:30", "2098-11-02T12:00", "twice"),
        ("2098-06-01T01:30", "2098-06-01T12:00", "changed"),
    ] {
        let answer = story
            .act(&[("act", "override"), ("level", "1"), ("person", &other), ("from", from), ("to", to)])
            .await;
        assert!(
            answer.location().ends_with(&format!("done={key}")),
            "{from}: {} {}",
            answer.location(),
            answer.body
        );
    }
    let overrides = story.stored().await.kept.rota.levels[0].overrides.clone();
    assert_eq!(
        overrides[0].from.to_rfc3339(),
        "2098-03-09T09:30:00+00:00",
        "with the offset from before the gap"
    );
    assert_eq!(overrides[1].from.to_rfc3339(), "2098-11-02T07:30:00+00:00", "the first of the two");
    let page = story.test.get(&story.browser, "/rotas/70001?done=skipped").await.body;
    assert!(page.contains("does not exist"), "{page}");
}

#[tokio::test]
async fn levels_and_rotas_are_taken_away() {
    let story = Story::new().await;
    story.weekly().await;
    story.weekly().await;
    assert_eq!(story.stored().await.kept.rota.levels.len(), 2);
    story.act(&[("act", "remove_level"), ("level", "1")]).await;
    assert_eq!(story.stored().await.kept.rota.levels.len(), 1);
    refused(&story.act(&[("act", "remove_level"), ("level", "2")]).await, "There is no level 2");
    let version = story.stored().await.version.to_string();
    let remove =
        async |fields: &[(&str, &str)]| story.test.post(&story.browser, "/rotas/70001/remove", fields).await;
    assert_eq!(remove(&[("version", &version)]).await.status, StatusCode::BAD_REQUEST);
    assert_eq!(remove(&[("version", "1"), ("sure", "yes")]).await.status, StatusCode::CONFLICT);
    assert_eq!(remove(&[("version", &version), ("sure", "yes")]).await.location(), "/rotas?done=removed");
    assert_eq!(story.test.get(&story.browser, "/rotas/70001").await.status, StatusCode::NOT_FOUND);
}
