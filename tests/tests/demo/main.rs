//! The demo's thirty days: each story that waits in the simulated fleet is found, at the right place, and nothing else is.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

use std::{collections::BTreeSet, time::Duration};

use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::testing::TestDatabase;
use regulator::conditions::{Condition, Scope};
use simulator::{Fleet, stories::Story};
use system_tests::{Role, until};

const SEED: u64 = 1;
const DAYS: i64 = 30;

/// Site, phase (none for an endpoint), condition.
type Finding = (String, Option<String>, String);

#[tokio::test]
async fn every_story_of_the_simulated_fleet_is_found_and_nothing_else() {
    let end: DateTime<Utc> = "2026-11-20T12:00:00Z".parse().unwrap();
    let database = TestDatabase::new().await;
    let folder = tempfile::tempdir().unwrap();
    let ready = folder.path().join("ready.json");
    let demo = Role::start(
        &[
            "demo",
            "--database-url",
            &database.url,
            "--data",
            folder.path().to_str().unwrap(),
            "--seed",
            "1",
            "--days",
            "30",
            "--listen",
            "127.0.0.1:0",
            "--base-port",
            "0",
            "--until",
            &end.to_rfc3339(),
            "--ready-file",
            ready.to_str().unwrap(),
        ],
        &[],
    );
    until("the history and its alarms are complete", Duration::from_secs(600), async || {
        ready.exists().then_some(())
    })
    .await;
    let found = findings(&database).await;
    let (expected, groups) = stories(end - TimeDelta::days(DAYS));
    let surplus: Vec<_> = found.difference(&expected).collect();
    assert!(surplus.is_empty(), "raised where nothing was wrong: {surplus:?}");
    for (name, group) in groups {
        let seen = group.iter().filter(|f| found.contains(*f)).count();
        assert!(seen > 0 || group.is_empty(), "story `{name}` was not found; looked for {group:?}");
    }
    demo.stop();
}

/// Everything that may be found, and for each story what must be found of it at least once a condition.
fn stories(start: DateTime<Utc>) -> (BTreeSet<Finding>, Vec<(String, BTreeSet<Finding>)>) {
    let fleet = Fleet::new(SEED, start);
    let mut all = BTreeSet::new();
    let mut groups = Vec::new();
    for story in fleet.stories() {
        for condition in story.possible {
            all.extend(places(&fleet, &story, *condition));
        }
        for condition in story.expected {
            let places = places(&fleet, &story, *condition);
            all.extend(places.clone());
            groups.push((format!("{}: {}", story.name, condition.name()), places));
        }
    }
    assert!(groups.len() >= 20, "the stories are there");
    (all, groups)
}

/// Where it may be found: what is true of a bank is told of its first regulator.
fn places(fleet: &Fleet, story: &Story, condition: Condition) -> BTreeSet<Finding> {
    match condition.scope() {
        Scope::Endpoint => BTreeSet::from([(story.site.to_owned(), None, condition.name().to_owned())]),
        Scope::Bank => {
            let first = fleet.members().position(|m| m.site == story.site).unwrap();
            BTreeSet::from([finding(fleet, first, condition)])
        }
        _ => story.regulators.iter().map(|r| finding(fleet, *r, condition)).collect(),
    }
}

fn finding(fleet: &Fleet, regulator: usize, condition: Condition) -> Finding {
    let member = fleet.member(regulator).unwrap();
    (member.site.to_owned(), Some(member.phase.name().to_owned()), condition.name().to_owned())
}

async fn findings(database: &TestDatabase) -> BTreeSet<Finding> {
    let rows = sqlx::query!(
        r#"select distinct s.name as site, case when a.regulator_id is not null then r.phase end as phase, a.condition
           from alarm a
           join regulator r on r.id = a.regulator_id or r.endpoint_id = a.endpoint_id
           join bank b on b.id = r.bank_id
           join site s on s.id = b.site_id"#
    )
    .fetch_all(&database.pool)
    .await
    .unwrap();
    rows.into_iter().map(|r| (r.site, r.phase, r.condition)).collect()
}
