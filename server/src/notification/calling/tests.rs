use chrono::TimeDelta;

use super::*;
use crate::{
    alarms::Recorded,
    notification::{
        outbox::{self, tell_at},
        testing::Story,
    },
};

/// Some time on a Wednesday night, local time 22:00 in Denver.
fn at(s: i64) -> Timestamp {
    "2026-11-26T05:00:00Z".parse::<Timestamp>().unwrap() + TimeDelta::seconds(s)
}

async fn tick(story: &Story, s: i64) {
    outbox::tick(&mut story.pool().acquire().await.unwrap(), at(s)).await.unwrap();
}

async fn told(story: &Story, recorded: &Recorded, s: i64) {
    tell_at(&mut story.pool().acquire().await.unwrap(), recorded, at(s)).await.unwrap();
}

/// An alarm of this priority is raised.
async fn raise(story: &Story, condition: &str, priority: i16, s: i64) -> i64 {
    let alarm = story.alarm_of_regulator(condition, priority).await;
    announce(story, alarm, s).await;
    alarm
}

async fn announce(story: &Story, alarm: i64, s: i64) {
    let announced = vec![story.transition(alarm, "raised").await];
    told(story, &Recorded { announced, ..Recorded::default() }, s).await;
}

async fn acknowledge(story: &Story, alarm: i64, s: i64) {
    sqlx::query("update alarm set acknowledged_at = raised_at, acknowledged_by = 'Ola' where id = $1")
        .bind(alarm)
        .execute(story.pool())
        .await
        .unwrap();
    told(story, &Recorded { quieted: vec![alarm], ..Recorded::default() }, s).await;
}

async fn return_to_normal(story: &Story, alarm: i64, s: i64) {
    sqlx::query("update alarm set returned_at = raised_at + interval '1 hour' where id = $1")
        .bind(alarm)
        .execute(story.pool())
        .await
        .unwrap();
    let ended = vec![story.transition(alarm, "returned").await];
    told(story, &Recorded { quieted: vec![alarm], ended, ..Recorded::default() }, s).await;
}

/// "ROUND LEVEL SECOND WHO OUTCOME WHY", a line a step.
async fn steps(story: &Story) -> Vec<String> {
    story
        .lines(
            "select concat_ws(' ', round, coalesce(level::text, 'last'),
                 extract(epoch from due_at - '2026-11-26T05:00:00Z')::integer, p.name, outcome, why)
             from call_step s left join person p on p.id = s.person_id order by s.id",
        )
        .await
}

/// "WHO WAY OCCASION STATE", a line a message.
async fn messages(story: &Story) -> Vec<String> {
    story
        .lines(
            "select concat_ws(' ', r.name, way, nullif(occasion, ''), state)
             from notification n join recipient r on r.id = n.recipient_id order by n.id",
        )
        .await
}

#[tokio::test]
async fn level_after_level_is_called_until_somebody_acknowledges() {
    let story = Story::new().await;
    let (ann, bob) = (story.person("ann").await, story.person("bob").await);
    story.rota("fleet", None, &[Some(ann), Some(bob)]).await;
    let alarm = raise(&story, "reverse_power", 4, 0).await;
    assert_eq!(messages(&story).await, Vec::<String>::new(), "people are called by the clock");
    // each second of the first round and some of the second
    for s in 0..=1500 {
        if s % 100 == 0 || (295..=305).contains(&s) || (595..=605).contains(&s) || s > 1495 {
            tick(&story, s).await;
        }
    }
    // critical, common practice: at once, after 5 min, the last resort after 10 min, again 15 min after that
    assert_eq!(
        steps(&story).await,
        ["1 1 0 ann told", "1 2 300 bob told", "1 last 600 told", "2 1 1500 ann told"]
    );
    assert_eq!(
        messages(&story).await,
        [
            "ann email 1.1 waiting",
            "bob email 1.2 waiting",
            "ann email 1.last waiting",
            "bob email 1.last waiting",
            "ann email 2.1 waiting"
        ]
    );
    sqlx::query("update notification set state = 'sent' where occasion = '1.1'")
        .execute(story.pool())
        .await
        .unwrap();
    acknowledge(&story, alarm, 1510).await;
    tick(&story, 90_000).await;
    assert_eq!(steps(&story).await.len(), 4);
    let dropped =
        story.lines("select distinct state || ': ' || reason from notification where state <> 'sent'").await;
    assert_eq!(dropped, ["dropped: the alarm was acknowledged before it was sent"]);
    let [escalated] =
        escalations_of(&mut story.pool().acquire().await.unwrap(), alarm).await.unwrap().try_into().unwrap();
    assert_eq!((escalated.stopped, escalated.next_at), (Some((at(1510), "acknowledged")), None));
}

#[tokio::test]
async fn a_step_is_taken_once_however_often_it_is_asked_for() {
    let story = Story::new().await;
    let ann = story.person("ann").await;
    story.rota("fleet", None, &[Some(ann)]).await;
    let alarm = raise(&story, "reverse_power", 4, 0).await;
    tick(&story, 0).await;
    tick(&story, 0).await;
    // told again, as by a server that runs the conditions anew
    let announced =
        vec![sqlx::query_scalar("select id from alarm_transition").fetch_one(story.pool()).await.unwrap()];
    told(&story, &Recorded { announced, ..Recorded::default() }, 1).await;
    // and its memory of how far it had come lost
    story.sql("update escalation set state = null, next_at = '-infinity'").await;
    tick(&story, 0).await;
    assert_eq!(steps(&story).await, ["1 1 0 ann told"]);
    assert_eq!(messages(&story).await, ["ann email 1.1 waiting"]);
    acknowledge(&story, alarm, 2).await;
}

#[tokio::test]
async fn a_level_without_anybody_or_a_way_is_passed_over_at_once() {
    let story = Story::new().await;
    let (ann, bob, cho) = (story.person("ann").await, story.person("bob").await, story.person("cho").await);
    story.rota("fleet", None, &[None, Some(ann), Some(bob), Some(cho)]).await;
    story.sql("update recipient set email = null where name = 'ann'").await;
    story.sql("update person set disabled_at = now() where name = 'bob'").await;
    raise(&story, "reverse_power", 3, 0).await;
    tick(&story, 7).await;
    assert_eq!(
        steps(&story).await,
        [
            "1 1 7 passed_over nobody_on_call",
            "1 2 7 ann passed_over no_way",
            "1 3 7 bob passed_over no_way",
            "1 4 7 cho told"
        ]
    );
}

#[tokio::test]
async fn a_level_whose_every_message_is_refused_is_passed_over_at_once() {
    let story = Story::new().await;
    let (ann, bob) = (story.person("ann").await, story.person("bob").await);
    story.sql("update recipient set text_email = 'ann@texts.example' where name = 'ann'").await;
    story.rota("fleet", None, &[Some(ann), Some(bob)]).await;
    raise(&story, "reverse_power", 3, 0).await;
    tick(&story, 0).await;
    assert_eq!(messages(&story).await, ["ann email 1.1 waiting", "ann text_email 1.1 waiting"]);
    story.sql("update notification set state = 'given_up', given_up_at = now() where way = 'email'").await;
    tick(&story, 20).await;
    assert_eq!(steps(&story).await, ["1 1 0 ann told"], "the text may still arrive");
    story.sql("update notification set state = 'given_up', given_up_at = now()").await;
    tick(&story, 30).await;
    assert_eq!(steps(&story).await, ["1 1 0 ann passed_over refused", "1 2 30 bob told"]);
    tick(&story, 31).await;
    assert_eq!(steps(&story).await.len(), 2);
}

#[tokio::test]
async fn the_rota_of_the_narrowest_area_is_taken() {
    let story = Story::new().await;
    let person = story.person("ann").await;
    let rota = async |alarm: i64| -> Option<i32> {
        sqlx::query_scalar("select rota_id from escalation where alarm_id = $1")
            .bind(alarm)
            .fetch_one(story.pool())
            .await
            .unwrap()
    };
    let near = raise(&story, "reverse_power", 3, 0).await;
    assert_eq!(rota(near).await, None);
    let fleet = story.rota("fleet", None, &[Some(person)]).await;
    let next = raise(&story, "voltage_range_a", 3, 0).await;
    assert_eq!(rota(next).await, Some(fleet));
    let substation = story.rota("substation", Some(story.substation), &[Some(person)]).await;
    let next = raise(&story, "voltage_range_b", 3, 0).await;
    assert_eq!(rota(next).await, Some(substation));
    let other = story.rota("feeder", Some(story.other_feeder), &[Some(person)]).await;
    let feeder = story.rota("feeder", Some(story.feeder), &[Some(person)]).await;
    let next = raise(&story, "tap_limit", 3, 0).await;
    assert_eq!(rota(next).await, Some(feeder));
    // an endpoint that serves both feeders of the substation, and a poller
    let (endpoint, poller) = (story.alarm_of_endpoint().await, story.alarm_of_poller().await);
    announce(&story, endpoint, 0).await;
    announce(&story, poller, 0).await;
    assert_eq!((rota(endpoint).await, rota(poller).await), (Some(substation), Some(fleet)));
    // and when only one of them is left
    sqlx::query("update regulator set retired_at = now() where id = $1")
        .bind(story.regulator)
        .execute(story.pool())
        .await
        .unwrap();
    story.sql("update alarm set raised_at = raised_at - interval '1 day', returned_at = raised_at where endpoint_id is not null").await;
    let endpoint = story.alarm_of_endpoint().await;
    announce(&story, endpoint, 0).await;
    assert_eq!(rota(endpoint).await, Some(other));
}

#[tokio::test]
async fn without_a_rota_the_standing_recipients_are_told_again_and_again_but_not_twice_at_once() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    story.email_recipient("another feeder", "feeder", Some(story.other_feeder), 1).await;
    story.email_recipient("only critical", "fleet", None, 4).await;
    let alarm = raise(&story, "reverse_power", 3, 0).await;
    tick(&story, 0).await;
    assert_eq!(
        messages(&story).await,
        ["desk email waiting"],
        "the announcement is the first step's message"
    );
    tick(&story, 1799).await;
    tick(&story, 1800).await;
    assert_eq!(messages(&story).await, ["desk email waiting", "desk email 2.last waiting"]);
    assert_eq!(steps(&story).await, ["1 last 0 told", "2 last 1800 told"]);
    // whoever is standing hears of what was announced, even late, and of its return
    return_to_normal(&story, alarm, 1900).await;
    assert_eq!(
        messages(&story).await,
        ["desk email waiting", "desk email 2.last dropped", "desk email waiting"]
    );
}

#[tokio::test]
async fn with_nobody_to_tell_the_administrators_are_and_without_them_it_is_on_record() {
    let story = Story::new().await;
    let alarm = raise(&story, "reverse_power", 3, 0).await;
    tick(&story, 0).await;
    assert_eq!(steps(&story).await, ["1 last 0 nobody"]);
    let shown = steps_of(&mut story.pool().acquire().await.unwrap(), alarm).await.unwrap();
    assert_eq!((shown[0].outcome, shown[0].title().as_str()), (Told::Nobody, "last resort, round 1"));
    story
        .sql(
            "insert into person (email, name, role) values ('root@example.org', 'root', 'administer'),
                  ('view@example.org', 'view', 'view')",
        )
        .await;
    tick(&story, 1800).await;
    assert_eq!(messages(&story).await, ["root email 2.last waiting"]);
}

#[tokio::test]
async fn recipients_who_do_not_want_to_hear_of_a_priority_are_left_alone() {
    let story = Story::new().await;
    story
        .sql("insert into person (email, name, role) values ('root@example.org', 'root', 'administer')")
        .await;
    story.email_recipient("only critical", "fleet", None, 4).await;
    raise(&story, "reverse_power", 1, 0).await;
    tick(&story, 0).await;
    assert_eq!(steps(&story).await, ["1 last 0 passed_over not_wanted"]);
    assert_eq!(messages(&story).await, Vec::<String>::new());
}

#[tokio::test]
async fn a_plan_of_the_utilitys_own_is_followed_and_a_broken_one_replaced_by_the_standard() {
    let story = Story::new().await;
    let (ann, bob) = (story.person("ann").await, story.person("bob").await);
    story.rota("fleet", None, &[Some(ann), Some(bob)]).await;
    story.sql(r#"update alarm_rule set plan = '{"level_after_s": [30, 90], "repeat_after_s": 600}' where priority = 3;
                 update alarm_rule set plan = '{"level_after_s": []}' where priority = 4"#).await;
    raise(&story, "reverse_power", 3, 0).await;
    raise(&story, "tap_limit", 4, 0).await;
    for s in [0, 29, 30, 89, 90] {
        tick(&story, s).await;
    }
    assert_eq!(steps(&story).await, ["1 1 0 ann told", "1 1 30 ann told", "1 2 90 bob told"]);
}

#[tokio::test]
async fn what_can_wait_waits_for_the_morning_and_is_dropped_when_it_is_over_by_then() {
    let story = Story::new().await;
    let ann = story.person("ann").await;
    story.rota("fleet", None, &[Some(ann)]).await;
    // 05:00 UTC is 22:00 in Denver; the quiet hours end at 06:00, which is eight hours on
    story
        .sql(
            r#"update recipient set quiet =
        '{"zone": "America/Denver", "from": "21:00:00", "to": "06:00:00", "up_to": 2}' where name = 'ann'"#,
        )
        .await;
    let (stays, ends, seen) = (
        raise(&story, "reverse_power", 1, 0).await,
        raise(&story, "tap_limit", 1, 0).await,
        raise(&story, "not_automatic", 1, 0).await,
    );
    raise(&story, "runaway", 3, 0).await;
    tick(&story, 0).await;
    let quiet = "ann email 1.1 quiet";
    assert_eq!(messages(&story).await, [quiet, quiet, quiet, "ann email 1.1 waiting"]);
    return_to_normal(&story, ends, 3600).await;
    acknowledge(&story, seen, 3600).await;
    tick(&story, 8 * 3600 - 1).await;
    let reasons = story.lines("select reason from notification where priority = 1 order by id").await;
    assert_eq!(
        reasons,
        [
            "quiet hours",
            "the alarm returned to normal before it was sent",
            "the alarm was acknowledged before it was sent"
        ]
    );
    tick(&story, 8 * 3600).await;
    assert_eq!(messages(&story).await[0], "ann email 1.1 waiting");
    assert_eq!(
        messages(&story).await.iter().filter(|m| m.ends_with("dropped")).count(),
        2,
        "and nobody hears of an end"
    );
    return_to_normal(&story, stays, 9 * 3600).await;
}

#[tokio::test]
async fn a_standing_recipient_has_quiet_hours_too() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    story
        .sql(
            r#"update recipient set quiet =
        '{"zone": "America/Denver", "from": "21:00:00", "to": "06:00:00", "up_to": 3}'"#,
        )
        .await;
    let high = raise(&story, "reverse_power", 3, 0).await;
    raise(&story, "tap_limit", 4, 0).await;
    assert_eq!(messages(&story).await, ["desk email quiet", "desk email waiting"]);
    return_to_normal(&story, high, 60).await;
    assert_eq!(messages(&story).await, ["desk email dropped", "desk email waiting"]);
}

#[tokio::test]
async fn what_is_over_before_the_clock_looks_calls_nobody() {
    let story = Story::new().await;
    let ann = story.person("ann").await;
    story.rota("fleet", None, &[Some(ann)]).await;
    let alarm = raise(&story, "reverse_power", 4, 0).await;
    return_to_normal(&story, alarm, 1).await;
    tick(&story, 2).await;
    assert_eq!((steps(&story).await.len(), messages(&story).await.len()), (0, 0));
    // raised and over in one go
    sqlx::query("update alarm set raised_at = raised_at - interval '1 day', returned_at = raised_at")
        .execute(story.pool())
        .await
        .unwrap();
    let alarm = story.alarm_of_regulator("reverse_power", 4).await;
    sqlx::query("update alarm set returned_at = raised_at where id = $1")
        .bind(alarm)
        .execute(story.pool())
        .await
        .unwrap();
    let announced = vec![story.transition(alarm, "raised").await];
    let ended = vec![story.transition(alarm, "returned").await];
    told(&story, &Recorded { announced, ended, quieted: vec![alarm], ..Recorded::default() }, 3).await;
    tick(&story, 4).await;
    assert_eq!(steps(&story).await.len(), 0);
}
