use super::*;
use crate::notification::{notice::Content, outbox::enqueue, queue::record_sent, testing::Story};

const CAP: Cap = Cap { messages: 5, window_s: 600 };

/// Claims by e-mail and reports each as sent, until nothing is due; the numbers of the messages.
async fn send_all(story: &Story) -> Vec<i64> {
    let mut conn = story.pool().acquire().await.unwrap();
    let mut sent = Vec::new();
    loop {
        let claims = claim(&mut conn, Way::Email, 10, &[], Duration::from_secs(30), &CAP).await.unwrap();
        if claims.is_empty() {
            return sent;
        }
        for one in claims {
            assert!(record_sent(&mut conn, &one, "").await.unwrap());
            sent.push(one.id);
        }
    }
}

/// Raises so many alarms, each of its own place and priority.
async fn raise(story: &Story, count: usize, priority: i16) {
    for _ in 0..count {
        story
            .sql(
                "update alarm set raised_at = '2026-01-01'::timestamptz + make_interval(secs => id), returned_at = '2026-02-01'
                 where returned_at is null",
            )
            .await;
        let alarm = story.alarm_of_regulator("voltage_range_a", priority).await;
        let raised = story.transition(alarm, "raised").await;
        enqueue(&mut story.pool().acquire().await.unwrap(), raised).await.unwrap();
    }
}

async fn later(story: &Story) {
    story.sql("update notification set sent_at = sent_at - interval '10 minutes'").await;
}

async fn states(story: &Story) -> Vec<String> {
    story.lines("select state || ' ' || count(*) from notification group by state order by state").await
}

#[tokio::test]
async fn beyond_five_in_ten_minutes_messages_become_one_and_none_is_lost() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 17, 2).await;
    assert_eq!(send_all(&story).await.len(), 5);
    assert_eq!(states(&story).await, ["held 12", "sent 5"]);
    raise(&story, 1, 2).await;
    assert_eq!(
        send_all(&story).await,
        Vec::<i64>::new(),
        "what comes while others are held is held with them"
    );
    later(&story).await;
    let [summary] = send_all(&story).await.try_into().unwrap();
    assert_eq!(states(&story).await, ["sent 6", "summed 13"]);
    let covered: i64 = sqlx::query_scalar("select count(*) from notification where covered_by = $1")
        .bind(summary)
        .fetch_one(story.pool())
        .await
        .unwrap();
    assert_eq!(covered, 13);
    let mut conn = story.pool().acquire().await.unwrap();
    let Some((Content::Summary(summary), _)) =
        crate::notification::notice::load(&mut conn, summary).await.unwrap()
    else {
        panic!("a summary")
    };
    assert_eq!(summary.headline(), "[medium] 13 more alarms");
    assert_eq!(
        summary.groups[0].line(),
        "13 x Voltage outside range A at substation Marsh Lane, 12 of them over already"
    );
}

#[tokio::test]
async fn one_that_is_held_alone_is_sent_as_it_is() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 6, 2).await;
    assert_eq!(send_all(&story).await.len(), 5);
    later(&story).await;
    assert_eq!(send_all(&story).await.len(), 1);
    assert_eq!(states(&story).await, ["sent 6"]);
}

#[tokio::test]
async fn a_critical_alarms_first_message_is_never_held_behind_lesser_ones() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 17, 2).await;
    assert_eq!(send_all(&story).await.len(), 5);
    raise(&story, 1, 4).await;
    assert_eq!(send_all(&story).await.len(), 1);
    // a storm of critical ones is a storm all the same
    raise(&story, 9, 4).await;
    assert_eq!(send_all(&story).await.len(), 4);
    assert_eq!(states(&story).await, ["held 17", "sent 10"]);
}

#[tokio::test]
async fn programs_have_no_cap_but_a_persons_own_webhook_has() {
    let story = Story::new().await;
    let hook = story.webhook_recipient("program", "https://example.org/", "whsec_c2VjcmV0").await;
    raise(&story, 8, 2).await;
    let mut conn = story.pool().acquire().await.unwrap();
    let mut sent = 0;
    while let [one] =
        claim(&mut conn, Way::Webhook, 10, &[], Duration::from_secs(30), &CAP).await.unwrap().as_slice()
    {
        record_sent(&mut conn, one, "").await.unwrap();
        sent += 1;
    }
    assert_eq!(sent, 8);
    let person = story.person("ann").await;
    sqlx::query("delete from recipient where person_id = $1")
        .bind(person)
        .execute(story.pool())
        .await
        .unwrap();
    sqlx::query("update recipient set person_id = $1 where id = $2")
        .bind(person)
        .bind(hook)
        .execute(story.pool())
        .await
        .unwrap();
    raise(&story, 1, 2).await;
    assert!(claim(&mut conn, Way::Webhook, 10, &[], Duration::from_secs(30), &CAP).await.unwrap().is_empty());
}

#[tokio::test]
async fn the_return_of_what_is_summed_up_is_told_with_it_and_never_before() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 7, 2).await;
    assert_eq!(send_all(&story).await.len(), 5);
    let last: i64 = sqlx::query_scalar("select max(id) from alarm").fetch_one(story.pool()).await.unwrap();
    let returned = story.transition(last, "returned").await;
    enqueue(&mut story.pool().acquire().await.unwrap(), returned).await.unwrap();
    later(&story).await;
    assert_eq!(send_all(&story).await.len(), 1);
    assert_eq!(states(&story).await, ["sent 6", "summed 3"]);
}

#[tokio::test]
async fn two_servers_together_keep_to_the_cap() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 17, 2).await;
    let (one, other) = tokio::join!(send_all(&story), send_all(&story));
    assert_eq!(one.len() + other.len(), 5);
}

#[tokio::test]
async fn what_was_being_sent_when_its_server_ended_is_sent_whatever_the_cap() {
    let story = Story::new().await;
    story.email_recipient("desk", "fleet", None, 1).await;
    raise(&story, 6, 2).await;
    let mut conn = story.pool().acquire().await.unwrap();
    let [lost] = claim(&mut conn, Way::Email, 10, &[], Duration::from_secs(30), &CAP)
        .await
        .unwrap()
        .try_into()
        .unwrap();
    assert_eq!(send_all(&story).await.len(), 4);
    sqlx::query("update notification set next_attempt_at = now() where id = $1")
        .bind(lost.id)
        .execute(story.pool())
        .await
        .unwrap();
    assert_eq!(send_all(&story).await, [lost.id]);
    assert_eq!(states(&story).await, ["held 1", "sent 5"]);
}
