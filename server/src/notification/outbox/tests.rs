use super::*;
use crate::notification::testing::Story;

#[tokio::test]
async fn each_recipient_hears_of_its_own_area_from_its_own_priority_up() {
    let story = Story::new().await;
    let fleet = story.email_recipient("fleet", "fleet", None, 1).await;
    let feeder = story.email_recipient("feeder", "feeder", Some(story.feeder), 1).await;
    let substation = story.email_recipient("substation", "substation", Some(story.substation), 1).await;
    story.email_recipient("another feeder", "feeder", Some(story.other_feeder), 1).await;
    // an area id of another kind with the same number must not match
    story.email_recipient("no such substation", "substation", Some(story.feeder), 1).await;
    story.email_recipient("only critical", "fleet", None, 4).await;
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    let mut conn = story.pool().acquire().await.unwrap();
    assert_eq!(enqueue(&mut conn, raised).await.unwrap(), 3);
    assert_eq!(story.recipients_of(raised).await, [fleet, feeder, substation]);
    assert_eq!(enqueue(&mut conn, raised).await.unwrap(), 0, "a second call adds nothing");
}

#[tokio::test]
async fn an_endpoints_alarm_lies_in_every_area_it_serves_and_a_pollers_in_the_fleet() {
    let story = Story::new().await;
    let fleet = story.email_recipient("fleet", "fleet", None, 1).await;
    let near = story.email_recipient("near", "feeder", Some(story.feeder), 1).await;
    let far = story.email_recipient("far", "feeder", Some(story.other_feeder), 1).await;
    let endpoint = story.transition(story.alarm_of_endpoint().await, "raised").await;
    let poller = story.transition(story.alarm_of_poller().await, "raised").await;
    let mut conn = story.pool().acquire().await.unwrap();
    assert_eq!(enqueue_all(&mut conn, &[endpoint, poller]).await.unwrap(), 4);
    assert_eq!(story.recipients_of(endpoint).await, [fleet, near, far]);
    assert_eq!(story.recipients_of(poller).await, [fleet]);
}

#[tokio::test]
async fn the_return_goes_to_those_who_heard_of_the_raise_and_an_acknowledgement_to_nobody() {
    let story = Story::new().await;
    let early = story.email_recipient("early", "fleet", None, 1).await;
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    let mut conn = story.pool().acquire().await.unwrap();
    enqueue(&mut conn, raised).await.unwrap();
    story.email_recipient("late", "fleet", None, 1).await;
    let acknowledged = story.transition(alarm, "acknowledged").await;
    let returned = story.transition(alarm, "returned").await;
    assert_eq!(enqueue_all(&mut conn, &[acknowledged, returned]).await.unwrap(), 1);
    assert_eq!(story.recipients_of(returned).await, [early]);
}

#[tokio::test]
async fn both_ways_of_one_recipient_are_used_even_when_raise_and_return_come_together() {
    let story = Story::new().await;
    let both = story.webhook_recipient("both", "http://127.0.0.1:9/", "whsec_c2VjcmV0").await;
    sqlx::query("update recipient set email = 'both@example.org' where id = $1")
        .bind(both)
        .execute(story.pool())
        .await
        .unwrap();
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    let returned = story.transition(alarm, "returned").await;
    let mut conn = story.pool().acquire().await.unwrap();
    assert_eq!(enqueue_all(&mut conn, &[returned, raised]).await.unwrap(), 4);
}

#[tokio::test]
async fn nothing_is_enqueued_when_the_callers_transaction_fails() {
    let story = Story::new().await;
    story.email_recipient("fleet", "fleet", None, 1).await;
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    let mut tx = story.pool().begin().await.unwrap();
    assert_eq!(enqueue(&mut tx, raised).await.unwrap(), 1);
    tx.rollback().await.unwrap();
    assert!(story.recipients_of(raised).await.is_empty());
}

#[tokio::test]
async fn every_way_of_a_recipient_is_used() {
    let story = Story::new().await;
    story.email_recipient("all", "fleet", None, 1).await;
    story
        .sql(
            "update recipient set webhook_url = 'https://example.org/', text_email = 'x@texts.example',
                 text_url = 'https://texts.example/', text_number = '+15550100'",
        )
        .await;
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    assert_eq!(enqueue(&mut story.pool().acquire().await.unwrap(), raised).await.unwrap(), 4);
    let ways = story.lines("select way from notification order by way").await;
    assert_eq!(ways, ["email", "text_email", "text_http", "webhook"]);
}

#[tokio::test]
async fn persons_who_are_not_standing_hear_of_nothing_by_themselves() {
    let story = Story::new().await;
    story.person("ann").await;
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let raised = story.transition(alarm, "raised").await;
    assert_eq!(enqueue(&mut story.pool().acquire().await.unwrap(), raised).await.unwrap(), 0);
}

#[tokio::test]
async fn a_substations_alarm_lies_in_its_feeders_and_a_parts_in_the_fleet() {
    let story = Story::new().await;
    let fleet = story.email_recipient("fleet", "fleet", None, 1).await;
    let feeder = story.email_recipient("feeder", "feeder", Some(story.feeder), 1).await;
    let substation = story.email_recipient("substation", "substation", Some(story.substation), 1).await;
    story
        .sql(
            "insert into alarm (condition, substation_id, priority, raised_at, summary, evidence)
        select 'substation_silent', id, 3, '2026-03-01', 'silent', '[]' from substation;
        insert into alarm (condition, part, priority, raised_at, summary, evidence)
        values ('delivery_stopped', 'delivery', 3, '2026-03-01', 'stopped', '[]')",
        )
        .await;
    let ids: Vec<i64> =
        sqlx::query_scalar("select id from alarm order by id").fetch_all(story.pool()).await.unwrap();
    let (of_substation, of_part) =
        (story.transition(ids[0], "raised").await, story.transition(ids[1], "raised").await);
    enqueue_all(&mut story.pool().acquire().await.unwrap(), &[of_substation, of_part]).await.unwrap();
    assert_eq!(story.recipients_of(of_substation).await, [fleet, feeder, substation]);
    assert_eq!(story.recipients_of(of_part).await, [fleet]);
}
