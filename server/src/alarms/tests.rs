//! Stories of alarms, against a real database.

use private_postgres::testing::TestDatabase;
use regulator::{
    Timestamp,
    alarms::{Event, Hold, Refusal},
    conditions::Condition,
};
use sqlx::{PgConnection, Postgres, pool::PoolConnection};

use super::{
    Act, Place, Relations, Silences, clock,
    desk::{Deed, Hand, act},
    record, replay,
};
use crate::{feed::testing::at, inventory::testing::fleet};

struct Story {
    _database: TestDatabase,
    db: PoolConnection<Postgres>,
    regulators: Vec<i32>,
}

impl Story {
    async fn new(regulators: i32) -> Self {
        let database = TestDatabase::new().await;
        let mut db = database.pool.acquire().await.unwrap();
        let regulators = fleet(&mut db, regulators).await;
        Self { _database: database, db, regulators }
    }

    fn voltage(&self, event: Event, s: i64) -> Act {
        Act::new(Place::Regulator(self.regulators[0]), Condition::VoltageRangeA, event, at(s))
    }

    async fn take(&mut self, acts: Vec<Act>) -> super::Recorded {
        record(&mut self.db, acts, None).await.unwrap()
    }

    async fn act(&mut self, deed: Deed, s: i64) -> Result<(), Refusal> {
        let id = sqlx::query_scalar("select max(id) from alarm").fetch_one(&mut *self.db).await.unwrap();
        let hand = Hand { person: "Ola", at: at(s), why: Some("seen") };
        act(&mut self.db, id, deed, hand).await.unwrap().expect("there is an alarm")
    }

    async fn tick(&mut self, s: i64) {
        clock::tick(&mut self.db, at(s)).await.unwrap();
    }

    async fn states(&mut self) -> Vec<String> {
        states(&mut self.db).await
    }

    async fn sql(&mut self, statement: &'static str) {
        sqlx::raw_sql(statement).execute(&mut *self.db).await.unwrap();
    }

    /// Nothing that was recorded contradicts what is there.
    async fn holds_together(&mut self) {
        assert_eq!(replay::differences(&mut self.db).await.unwrap(), Vec::<String>::new());
    }
}

/// The present states as lines: "voltage_range_a unacknowledged shelf".
async fn states(db: &mut PgConnection) -> Vec<String> {
    sqlx::query_scalar(
        "select concat_ws(' ', condition, process, case when shelved_until is not null then 'shelf' end,
                case when silent_why is not null then 'silence' end, case when maintenance_why is not null then 'maintenance' end,
                case when out_of_service_at is not null then 'out' end)
         from alarm_point order by condition, place_key",
    )
    .fetch_all(db)
    .await
    .unwrap()
}

#[tokio::test]
async fn an_alarm_is_raised_seen_and_returns_and_every_step_is_kept() {
    let mut story = Story::new(1).await;
    let recorded = story.take(vec![story.voltage(Event::Raise, 0)]).await;
    assert_eq!((recorded.raised, recorded.announced.len()), (1, 1));
    assert_eq!(story.act(Deed::Acknowledge, 60).await, Ok(()));
    assert_eq!(story.act(Deed::Acknowledge, 61).await, Err(Refusal::NothingToAcknowledge));
    let recorded = story.take(vec![story.voltage(Event::Return, 120)]).await;
    assert_eq!((recorded.returned, recorded.ended.len()), (1, 1));
    assert_eq!(story.states().await, ["voltage_range_a normal"]);
    let steps: Vec<(String, Option<String>, Option<String>)> =
        sqlx::query_as("select kind, person, note from alarm_transition order by id")
            .fetch_all(&mut *story.db)
            .await
            .unwrap();
    let person = || Some("Ola".to_owned());
    let seen = || Some("seen".to_owned());
    assert_eq!(
        steps,
        [
            ("raised".into(), None, None),
            ("acknowledged".into(), person(), seen()),
            ("returned".into(), None, None)
        ]
    );
    story.holds_together().await;
}

#[tokio::test]
async fn what_is_told_twice_is_recorded_once() {
    let mut story = Story::new(1).await;
    let told = |story: &Story| {
        [(Event::Raise, 0), (Event::Return, 50), (Event::Raise, 100)]
            .map(|(e, s)| story.voltage(e, s))
            .to_vec()
    };
    assert_eq!(story.take(told(&story)).await.raised, 2);
    let again = story.take(told(&story)).await;
    assert_eq!((again.raised, again.returned), (0, 0), "conditions were run again from an earlier cursor");
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged"]);
    assert_eq!(story.take(vec![story.voltage(Event::Return, 150)]).await.returned, 1);
    story.holds_together().await;
}

#[tokio::test]
async fn a_shelved_alarm_comes_back_by_itself_and_is_announced_if_it_still_stands() {
    let mut story = Story::new(1).await;
    story.take(vec![story.voltage(Event::Raise, 0)]).await;
    assert_eq!(story.act(Deed::Shelve(at(600)), 10).await, Ok(()));
    assert_eq!(story.take(vec![story.voltage(Event::Return, 100)]).await.ended.len(), 1, "they were told");
    let behind = story.take(vec![story.voltage(Event::Raise, 200)]).await;
    assert_eq!((behind.raised, behind.announced.len()), (1, 0));
    let held: Option<String> = sqlx::query_scalar("select held_why from alarm where announced_at is null")
        .fetch_one(&mut *story.db)
        .await
        .unwrap();
    assert_eq!(held.as_deref(), Some("shelved by Ola: seen"));
    story.tick(599).await;
    assert_eq!(story.states().await, ["voltage_range_a unannounced shelf"]);
    story.tick(600).await;
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged"]);
    let told: i64 = sqlx::query_scalar("select count(*) from alarm where announced_at is null")
        .fetch_one(&mut *story.db)
        .await
        .unwrap();
    assert_eq!(told, 0);
    story.holds_together().await;
}

#[tokio::test]
async fn out_of_service_lasts_until_it_is_put_back() {
    let mut story = Story::new(1).await;
    story.take(vec![story.voltage(Event::Raise, 0)]).await;
    assert_eq!(story.act(Deed::TakeOutOfService, 10).await, Ok(()));
    assert_eq!(story.act(Deed::TakeOutOfService, 11).await, Err(Refusal::HeldAlready));
    story.tick(1_000_000).await;
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged out"]);
    assert_eq!(story.act(Deed::PutBack, 2_000_000).await, Ok(()));
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged"]);
    story.holds_together().await;
}

#[tokio::test]
async fn what_was_acknowledged_long_ago_and_still_stands_is_raised_again() {
    let mut story = Story::new(1).await;
    story.take(vec![story.voltage(Event::Raise, 0)]).await;
    story.act(Deed::Acknowledge, 100).await.unwrap();
    story.tick(86_400 + 99).await;
    assert_eq!(story.states().await, ["voltage_range_a acknowledged"]);
    story.tick(86_400 + 100).await;
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged"]);
    let open: i64 = sqlx::query_scalar("select count(*) from alarm where acknowledged_at is null")
        .fetch_one(&mut *story.db)
        .await
        .unwrap();
    assert_eq!(open, 1);
    story.act(Deed::Acknowledge, 86_400 + 200).await.unwrap();
    story.holds_together().await;
}

#[tokio::test]
async fn a_window_keeps_what_is_raised_inside_and_marks_it() {
    let mut story = Story::new(2).await;
    story
        .sql(
            "insert into maintenance_window (scope_kind, scope_id, from_at, to_at, reason, person)
             select 'site', site_id, '2026-01-01 00:10:00Z', '2026-01-01 01:00:00Z', 'new control', 'Ola'
             from bank b join regulator r on r.bank_id = b.id order by r.id limit 1",
        )
        .await;
    let zero = at(0);
    assert_eq!(zero, "2026-01-01T00:00:00Z".parse::<Timestamp>().unwrap(), "the window's times are meant");
    // stands when the window opens, and is held from then on
    story.take(vec![story.voltage(Event::Raise, 0)]).await;
    story.tick(600).await;
    assert_eq!(story.states().await, ["voltage_range_a unacknowledged maintenance"]);
    // raised inside
    let reverse =
        Act::new(Place::Regulator(story.regulators[0]), Condition::ReversePower, Event::Raise, at(700));
    assert_eq!(story.take(vec![reverse]).await.announced, Vec::<i64>::new());
    story.tick(3599).await;
    assert_eq!(
        story.states().await,
        ["reverse_power unannounced maintenance", "voltage_range_a unacknowledged maintenance"]
    );
    story.tick(3600).await;
    assert_eq!(story.states().await, ["reverse_power unacknowledged", "voltage_range_a unacknowledged"]);
    let marks: Vec<Option<String>> =
        sqlx::query_scalar("select held_why from alarm order by id").fetch_all(&mut *story.db).await.unwrap();
    assert_eq!(marks, [None, Some("under maintenance: new control".to_owned())]);
    story.holds_together().await;
}

#[tokio::test]
async fn a_wider_silence_hides_the_narrower_ones_and_gives_them_back() {
    let mut story = Story::new(2).await;
    let row: (i32, i32) = sqlx::query_as(
        "select r.endpoint_id, f.substation_id from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id
         join feeder f on f.id = s.feeder_id order by r.id limit 1",
    )
    .fetch_one(&mut *story.db)
    .await
    .unwrap();
    let (endpoint, substation) = row;
    let mut silences = Silences::load(&mut story.db).await.unwrap();
    silences.relations =
        Relations { substations_of: [(endpoint, [substation].into())].into(), ..Relations::default() };
    let narrow = |event, s| Act::new(Place::Endpoint(endpoint), Condition::EndpointSilent, event, at(s));
    let wide = |event, s| Act::new(Place::Substation(substation), Condition::SubstationSilent, event, at(s));
    // told in one go and out of order: the wider one is found first
    let acts = super::in_order(vec![narrow(Event::Raise, 60), wide(Event::Raise, 40)]);
    let recorded = record(&mut story.db, acts, Some(&mut silences)).await.unwrap();
    assert_eq!((recorded.raised, recorded.announced.len()), (2, 1));
    assert_eq!(
        story.states().await,
        ["endpoint_silent unannounced silence", "substation_silent unacknowledged"]
    );
    let recorded = record(&mut story.db, vec![wide(Event::Return, 500)], Some(&mut silences)).await.unwrap();
    assert_eq!(recorded.announced.len(), 1, "this endpoint is still silent");
    assert_eq!(story.states().await, ["endpoint_silent unacknowledged", "substation_silent returned"]);
    // the other way round: what stands is hidden when the wider one comes
    record(&mut story.db, vec![wide(Event::Raise, 600)], Some(&mut silences)).await.unwrap();
    assert_eq!(
        story.states().await,
        ["endpoint_silent unacknowledged silence", "substation_silent unacknowledged"]
    );
    // a server that starts anew knows the silences that stand
    let mut fresh = Silences::load(&mut story.db).await.unwrap();
    fresh.relations = silences.relations.clone();
    let both = vec![narrow(Event::Return, 700), wide(Event::Return, 710)];
    record(&mut story.db, both, Some(&mut fresh)).await.unwrap();
    assert_eq!(story.states().await, ["endpoint_silent returned", "substation_silent returned"]);
    story.holds_together().await;
}

#[tokio::test]
async fn alarms_of_an_older_program_are_taken_over_as_they_stand() {
    let mut story = Story::new(1).await;
    story
        .sql(
            "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
             select 'voltage_range_a', id, 2, '2026-01-01', 'low', '[]' from regulator",
        )
        .await;
    assert_eq!(story.act(Deed::Acknowledge, 10).await, Ok(()));
    assert_eq!(story.take(vec![story.voltage(Event::Return, 20)]).await.returned, 1);
    assert_eq!(story.states().await, ["voltage_range_a normal"]);
}

#[tokio::test]
async fn a_hold_that_no_one_put_on_cannot_be_taken_off() {
    let mut story = Story::new(1).await;
    story.take(vec![story.voltage(Event::Raise, 0)]).await;
    assert_eq!(story.act(Deed::Unshelve, 1).await, Err(Refusal::NotHeld));
    assert_eq!(story.act(Deed::PutBack, 1).await, Err(Refusal::NotHeld));
    let silence = story.voltage(Event::End(Hold::Silence), 1);
    assert_eq!(story.take(vec![silence]).await.refused.len(), 1);
}
