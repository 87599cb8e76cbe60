//! The outbox and its workers together, against real mail servers and receivers that fail.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex},
    time::Duration,
};

use axum::{Router, extract::State, http::HeaderMap, http::StatusCode, routing::post};
use tokio::{net::TcpListener, task::JoinHandle};
use tokio_util::sync::CancellationToken;

use super::{
    claim::claim,
    queue::{Claim, Next, hold_back, record_failed, record_sent, renew},
    testing::{
        Story,
        smtp::{Act, Offer, SmtpPeer},
    },
    *,
};

const PUBLIC_URL: &str = "https://tapkeeper.utility.example";

/// More than any of these tests sends.
const NO_CAP: Cap = Cap { messages: 1000, window_s: 600 };

/// Settings that wait for nothing.
fn config(smtp: Option<Smtp>) -> Config {
    let soon = Duration::from_millis(20);
    Config {
        smtp,
        webhook: Webhook { allow: vec!["127.0.0.0/8".parse().unwrap()], timeout: Duration::from_secs(5) },
        schedule: Schedule { delays: vec![soon], ..Schedule::default() },
        cap: NO_CAP,
        poll_interval: soon,
        grace: Duration::from_secs(5),
        ..Config::default()
    }
}

/// A server's notification, running.
struct Running {
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Running {
    fn start(story: &Story, config: Config) -> Self {
        let stop = CancellationToken::new();
        let notifier = Notifier::new(config, PUBLIC_URL).unwrap();
        let task = tokio::spawn(notifier.run(story.pool().clone(), stop.clone()));
        Self { stop, task }
    }

    async fn stop(self) {
        self.stop.cancel();
        self.task.await.unwrap();
    }

    /// As if the process had been killed.
    async fn kill(self) {
        self.task.abort();
        drop(self.task.await);
    }
}

/// Waits until the query says true, for at most ten seconds.
async fn until(story: &Story, what: &str, sql: &'static str) {
    for _ in 0..1000 {
        if sqlx::query_scalar(sql).fetch_one(story.pool()).await.unwrap() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let rows: Vec<(String, String, i32, Option<String>)> =
        sqlx::query_as("select way, state, attempts, last_error from notification order by id")
            .fetch_all(story.pool())
            .await
            .unwrap();
    panic!("never came true: {what}; the outbox holds {rows:?}");
}

const ALL_SENT: &str = "select count(*) > 0 and bool_and(state = 'sent') from notification";

/// A webhook receiver that counts how often it saw each id, and gives the first `refusals` requests a refusal.
async fn receiver(refusals: usize) -> (String, Arc<Mutex<Vec<String>>>) {
    let seen = Arc::new(Mutex::new(Vec::new()));
    let answer = move |State(seen): State<Arc<Mutex<Vec<String>>>>, headers: HeaderMap| async move {
        let mut seen = seen.lock().unwrap();
        seen.push(headers["webhook-id"].to_str().unwrap().to_owned());
        if seen.len() <= refusals { StatusCode::INTERNAL_SERVER_ERROR } else { StatusCode::OK }
    };
    let routes = Router::new()
        .route("/", post(answer))
        .route("/never", post(std::future::pending::<StatusCode>))
        .with_state(Arc::clone(&seen));
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    tokio::spawn(async { axum::serve(listener, routes).await });
    (url, seen)
}

async fn raise(story: &Story) -> i64 {
    let alarm = story.alarm_of_regulator("reverse_power", 3).await;
    let transition = story.transition(alarm, "raised").await;
    enqueue(&mut story.pool().acquire().await.unwrap(), transition).await.unwrap();
    alarm
}

async fn return_to_normal(story: &Story, alarm: i64) {
    let transition = story.transition(alarm, "returned").await;
    sqlx::query("update alarm set returned_at = '2026-03-01 19:34:00Z' where id = $1")
        .bind(alarm)
        .execute(story.pool())
        .await
        .unwrap();
    enqueue(&mut story.pool().acquire().await.unwrap(), transition).await.unwrap();
}

async fn outcomes(story: &Story) -> Vec<String> {
    sqlx::query_scalar("select outcome from notification_attempt order by id")
        .fetch_all(story.pool())
        .await
        .unwrap()
}

#[tokio::test]
async fn an_alarm_arrives_by_e_mail_and_its_return_in_the_same_conversation() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::StartTls, &[]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    // looks by itself once an hour: what wakes it is the outbox
    let running = Running::start(
        &story,
        Config { poll_interval: Duration::from_secs(3600), ..config(Some(peer.settings())) },
    );
    until(&story, "it listens", "select count(*) > 0 from pg_stat_activity where datname = current_database() and query ilike 'listen%'").await;
    let alarm = raise(&story).await;
    until(&story, "the first is sent", ALL_SENT).await;
    return_to_normal(&story, alarm).await;
    until(&story, "both are sent", "select count(*) = 2 and bool_and(state = 'sent') from notification")
        .await;
    running.stop().await;
    assert_eq!(peer.headers("Subject")[0], "[high] Reverse power - Quarry Bend phase B (feeder ML 12)");
    assert_eq!(peer.headers("In-Reply-To")[1], peer.headers("Message-ID")[0]);
    assert_eq!(outcomes(&story).await, ["sent", "sent"]);
}

#[tokio::test]
async fn two_servers_at_once_deliver_everything_once() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[]).await;
    let (url, seen) = receiver(0).await;
    for i in 0..5 {
        story.email_recipient(&format!("mail {i}"), "fleet", None, 1).await;
        story.webhook_recipient(&format!("hook {i}"), &url, "whsec_c2VjcmV0").await;
    }
    let servers = [(); 2].map(|()| Running::start(&story, config(Some(peer.settings()))));
    for _ in 0..4 {
        let alarm = raise_another(&story).await;
        return_to_normal(&story, alarm).await;
    }
    until(&story, "all are sent", "select count(*) = 80 and bool_and(state = 'sent') from notification")
        .await;
    for server in servers {
        server.stop().await;
    }
    let mut count = BTreeMap::<String, u32>::new();
    for id in peer.headers("Message-ID").into_iter().chain(seen.lock().unwrap().iter().cloned()) {
        *count.entry(id).or_default() += 1;
    }
    assert_eq!((count.len(), count.values().max()), (80, Some(&1)));
}

#[tokio::test]
async fn a_message_whose_server_was_killed_amid_sending_is_sent_by_the_next() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[Act::SilentAtData]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let first = Running::start(&story, config(Some(peer.settings())));
    peer.until_asked("DATA").await;
    first.kill().await;
    // the claim's time runs out
    sqlx::query("update notification set next_attempt_at = now() - interval '1 second'")
        .execute(story.pool())
        .await
        .unwrap();
    let second = Running::start(&story, config(Some(peer.settings())));
    until(&story, "it is sent", ALL_SENT).await;
    second.stop().await;
    assert_eq!(peer.messages().len(), 1);
    assert_eq!(outcomes(&story).await, ["unknown", "sent"]);
}

#[tokio::test]
async fn a_long_attempt_keeps_its_claim() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[Act::SilentAtData]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let claim = Duration::from_secs(2);
    let servers = [(); 2].map(|()| Running::start(&story, Config { claim, ..config(Some(peer.settings())) }));
    until(
        &story,
        "the claim outlives its first term",
        "select state = 'sending' and next_attempt_at > created_at + interval '3 seconds' from notification",
    )
    .await;
    let attempts: i32 =
        sqlx::query_scalar("select attempts from notification").fetch_one(story.pool()).await.unwrap();
    assert_eq!(attempts, 1, "the other server left it alone");
    for server in servers {
        server.kill().await;
    }
}

#[tokio::test]
async fn a_message_that_is_being_handed_over_is_nobody_elses_even_when_its_claim_has_lapsed() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[Act::SilentAtEnd]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let lapsing = Config { claim: Duration::from_millis(200), ..config(Some(peer.settings())) };
    let running = Running::start(&story, lapsing);
    peer.until_asked("END").await;
    until(&story, "the claim has lapsed", "select next_attempt_at < clock_timestamp() from notification")
        .await;
    assert_eq!(claim_one(&story).await, None);
    running.kill().await;
    // the killed server's transaction has ended with it, and nothing of it is left
    until(
        &story,
        "it is free again",
        "select count(*) = 1 from (select 1 from notification for update skip locked) free",
    )
    .await;
    assert_eq!(claim_one(&story).await.unwrap().attempt, 2);
    assert_eq!(outcomes(&story).await, ["unknown"]);
}

#[tokio::test]
async fn a_server_that_puts_off_drops_and_breaks_off_gets_the_message_in_the_end_under_one_id() {
    let story = Story::new().await;
    let acts = [
        Act::Greet("421 busy"),
        Act::Rcpt("451 4.7.1 greylisted"),
        Act::BreakOffInText,
        Act::TakeAndBreakOff,
    ];
    let peer = SmtpPeer::start(Offer::Plain, &acts).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let running = Running::start(&story, config(Some(peer.settings())));
    until(&story, "it is sent", ALL_SENT).await;
    running.stop().await;
    assert_eq!(outcomes(&story).await, ["failed", "failed", "failed", "failed", "sent"]);
    // taken once without a word and once with one: nobody could know, but the name is the same
    let ids = peer.headers("Message-ID");
    assert_eq!(ids.len(), 2);
    assert_eq!(ids[0], ids[1]);
    assert_eq!(peer.messages()[0], peer.messages()[1]);
}

#[tokio::test]
async fn a_refused_message_is_given_up_and_the_alarms_return_is_still_sent() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[Act::Rcpt("550 5.1.1 nobody here")]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    let alarm = raise(&story).await;
    return_to_normal(&story, alarm).await;
    let running = Running::start(&story, config(Some(peer.settings())));
    until(&story, "the second is sent", "select count(*) = 1 from notification where state = 'sent'").await;
    running.stop().await;
    let (state, error): (String, String) =
        sqlx::query_as("select state, last_error from notification order by id limit 1")
            .fetch_one(story.pool())
            .await
            .unwrap();
    assert_eq!(state, "given_up");
    assert!(error.contains("5.1.1 nobody here"), "{error}");
    assert!(peer.headers("Subject")[0].starts_with("[back to normal]"));
}

#[tokio::test]
async fn a_return_waits_for_the_message_of_its_raising() {
    let story = Story::new().await;
    let (url, seen) = receiver(3).await;
    story.webhook_recipient("desk", &url, "whsec_c2VjcmV0").await;
    let alarm = raise(&story).await;
    return_to_normal(&story, alarm).await;
    let running = Running::start(&story, config(None));
    until(&story, "both are sent", ALL_SENT).await;
    running.stop().await;
    let seen = seen.lock().unwrap();
    let (raised, returned) = (&seen[0], &seen[4]);
    assert_eq!(seen.as_slice(), [raised, raised, raised, raised, returned].map(String::clone));
}

#[tokio::test]
async fn one_receiver_that_never_answers_does_not_hold_up_the_others() {
    let story = Story::new().await;
    let (url, seen) = receiver(0).await;
    for i in 0..3 {
        story.webhook_recipient(&format!("never {i}"), &format!("{url}never"), "whsec_c2VjcmV0").await;
    }
    story.webhook_recipient("desk", &url, "whsec_c2VjcmV0").await;
    for _ in 0..5 {
        raise_another(&story).await;
    }
    let config = Config { webhooks_at_once: 4, grace: Duration::ZERO, ..config(None) };
    let running = Running::start(&story, config);
    until(&story, "the desk has all five", "select count(*) = 5 from notification where state = 'sent'")
        .await;
    running.stop().await;
    assert_eq!(seen.lock().unwrap().len(), 5);
}

/// Raises the alarm anew, the last one having ended the day before.
async fn raise_another(story: &Story) -> i64 {
    sqlx::query("update alarm set raised_at = raised_at - interval '1 day', returned_at = raised_at")
        .execute(story.pool())
        .await
        .unwrap();
    raise(story).await
}

#[tokio::test]
async fn without_a_mail_server_messages_wait_and_say_why() {
    let story = Story::new().await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let running = Running::start(&story, config(None));
    until(
        &story,
        "the reason is there",
        "select state = 'waiting' and coalesce(last_error, '') like 'no mail server is configured%' from notification",
    )
    .await;
    running.stop().await;
}

#[tokio::test]
async fn who_has_been_switched_off_hears_nothing_more() {
    let story = Story::new().await;
    let (url, seen) = receiver(0).await;
    story.webhook_recipient("desk", &url, "whsec_c2VjcmV0").await;
    raise(&story).await;
    sqlx::query("update recipient set disabled_at = now()").execute(story.pool()).await.unwrap();
    let running = Running::start(&story, config(None));
    until(&story, "it is given up", "select state = 'given_up' from notification").await;
    running.stop().await;
    assert!(seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn a_test_message_goes_out_at_once_and_says_what_went_wrong() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[Act::Take, Act::Rcpt("550 5.1.1 nobody here")]).await;
    let (url, seen) = receiver(0).await;
    let id = story.webhook_recipient("both", &url, "whsec_c2VjcmV0").await;
    sqlx::query("update recipient set email = 'someone@example.org'").execute(story.pool()).await.unwrap();
    let config = config(Some(peer.settings()));
    let mut conn = story.pool().acquire().await.unwrap();
    let [email, webhook] =
        send_test(&mut conn, id, &Way::ALL, PUBLIC_URL, &config).await.unwrap().try_into().unwrap();
    assert_eq!(email, (Way::Email, Ok("2.0.0 kept as 42".into())));
    assert_eq!(webhook, (Way::Webhook, Ok("answered 200 OK".into())));
    assert_eq!(seen.lock().unwrap().len(), 1);
    let again = send_test(&mut conn, id, &Way::ALL, PUBLIC_URL, &config).await.unwrap();
    assert!(matches!(&again[0], (Way::Email, Err(Failure::Permanent(why))) if why.contains("nobody here")));
}

async fn claim_one(story: &Story) -> Option<Claim> {
    let mut conn = story.pool().acquire().await.unwrap();
    claim(&mut conn, Way::Email, 10, &[], Duration::from_secs(30), &NO_CAP).await.unwrap().pop()
}

async fn make_due(story: &Story) {
    sqlx::query("update notification set next_attempt_at = now()").execute(story.pool()).await.unwrap();
}

#[tokio::test]
async fn who_lost_a_claim_can_record_nothing() {
    let story = Story::new().await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let first = claim_one(&story).await.unwrap();
    assert_eq!(claim_one(&story).await, None, "claimed");
    make_due(&story).await;
    let second = claim_one(&story).await.unwrap();
    let mut conn = story.pool().acquire().await.unwrap();
    let retry = Next::Retry { delay: Duration::ZERO, give_up_after: Duration::from_secs(60) };
    assert_eq!(renew(&mut conn, std::slice::from_ref(&first), Duration::from_secs(30)).await.unwrap(), 0);
    assert!(!record_sent(&mut conn, &first, "").await.unwrap());
    assert!(!record_failed(&mut conn, &first, "", retry).await.unwrap());
    assert!(record_sent(&mut conn, &second, "").await.unwrap());
    assert!(!record_sent(&mut conn, &second, "").await.unwrap(), "once");
}

#[tokio::test]
async fn a_message_is_given_up_after_its_time() {
    let story = Story::new().await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let day = Duration::from_secs(86_400);
    for (age, state) in [("23 hours", "waiting"), ("25 hours", "given_up")] {
        let aged =
            format!("update notification set created_at = now() - interval '{age}', next_attempt_at = now()");
        sqlx::query(sqlx::AssertSqlSafe(aged)).execute(story.pool()).await.unwrap();
        let claimed = claim_one(&story).await.unwrap();
        let mut conn = story.pool().acquire().await.unwrap();
        let next = Next::Retry { delay: Duration::ZERO, give_up_after: day };
        assert!(record_failed(&mut conn, &claimed, "no", next).await.unwrap());
        let now: String =
            sqlx::query_scalar("select state from notification").fetch_one(&mut *conn).await.unwrap();
        assert_eq!(now, state);
    }
}

#[tokio::test]
async fn a_message_held_back_is_given_up_after_its_time_too() {
    let story = Story::new().await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let mut conn = story.pool().acquire().await.unwrap();
    let hour = Duration::from_secs(3600);
    assert_eq!(hold_back(&mut conn, Way::Email, "why", hour).await.unwrap(), 1);
    assert_eq!(hold_back(&mut conn, Way::Email, "why", hour).await.unwrap(), 0, "said already");
    assert_eq!(status(&mut conn).await.unwrap().waiting, 1);
    sqlx::query("update notification set created_at = now() - interval '2 hours'")
        .execute(&mut *conn)
        .await
        .unwrap();
    hold_back(&mut conn, Way::Email, "why", hour).await.unwrap();
    let status = status(&mut conn).await.unwrap();
    assert_eq!((status.waiting, status.given_up, status.oldest_waiting), (0, 1, None));
}

#[tokio::test]
async fn the_most_urgent_comes_first_and_each_recipient_has_one_at_a_time() {
    let story = Story::new().await;
    let recipient = story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let critical = story.transition(story.alarm_of_poller().await, "raised").await;
    let mut conn = story.pool().acquire().await.unwrap();
    enqueue(&mut conn, critical).await.unwrap();
    let claims = claim(&mut conn, Way::Email, 10, &[], Duration::from_secs(30), &NO_CAP).await.unwrap();
    let [first] = claims.try_into().unwrap();
    let transition: i64 = sqlx::query_scalar("select transition_id from notification where id = $1")
        .bind(first.id)
        .fetch_one(&mut *conn)
        .await
        .unwrap();
    assert_eq!(transition, critical);
    let busy =
        claim(&mut conn, Way::Email, 10, &[recipient], Duration::from_secs(30), &NO_CAP).await.unwrap();
    assert!(busy.is_empty());
}

#[tokio::test]
async fn what_was_given_up_can_be_tried_again_and_is_young_again() {
    let story = Story::new().await;
    let peer =
        SmtpPeer::start(Offer::Plain, &[Act::Rcpt("550 5.1.1 no"), Act::Rcpt("450 4.7.1 later")]).await;
    story.email_recipient("On call", "fleet", None, 1).await;
    raise(&story).await;
    let running = Running::start(&story, config(Some(peer.settings())));
    until(
        &story,
        "it is given up",
        "select given_up_at is not null and state = 'given_up' from notification",
    )
    .await;
    story.sql("update notification set created_at = created_at - interval '2 days'").await;
    let id: i64 = sqlx::query_scalar("select id from notification").fetch_one(story.pool()).await.unwrap();
    let mut conn = story.pool().acquire().await.unwrap();
    assert!(dead::retry(&mut conn, id, "Ola").await.unwrap());
    assert!(!dead::retry(&mut conn, id, "Ola").await.unwrap(), "once");
    until(&story, "it is sent", ALL_SENT).await;
    running.stop().await;
    assert_eq!(outcomes(&story).await, ["refused", "failed", "sent"]);
    assert_eq!(story.lines("select retried_by from notification where given_up_at is null").await, ["Ola"]);
}

#[tokio::test]
async fn a_text_goes_to_either_gateway_with_a_link_to_answer() {
    let story = Story::new().await;
    let peer = SmtpPeer::start(Offer::Plain, &[]).await;
    let (url, bodies) = text_gateway().await;
    let person = story.person("ann").await;
    story.rota("fleet", None, &[Some(person)]).await;
    sqlx::query("update recipient set email = null, text_email = 'ann@texts.example', text_url = $1, text_number = '+15550100'")
        .bind(&url)
        .execute(story.pool())
        .await
        .unwrap();
    raise(&story).await;
    tick(&mut story.pool().acquire().await.unwrap(), chrono::Utc::now()).await.unwrap();
    let running = Running::start(&story, config(Some(peer.settings())));
    until(&story, "both are sent", "select count(*) = 2 and bool_and(state = 'sent') from notification")
        .await;
    running.stop().await;
    let body = bodies.lock().unwrap()[0].clone();
    let text = body["text"].as_str().unwrap();
    assert_eq!(body["to"], "+15550100");
    assert!(text.starts_with(
        "HIGH Reverse power: Quarry Bend B, ML 12, power -48 kW https://tapkeeper.utility.example/answer/"
    ));
    assert!(text.chars().count() <= 160, "{text}");
    let mail = &peer.messages()[0];
    let (headers, mailed) = mail.split_once("\r\n\r\n").unwrap();
    assert!(!headers.contains("Subject:"), "{headers}");
    assert!(
        mailed
            .replace("=\r\n", "")
            .starts_with("HIGH Reverse power: Quarry Bend B, ML 12, power -48 kW https://")
    );
}

/// Takes texts and keeps what it was sent.
async fn text_gateway() -> (String, Arc<Mutex<Vec<serde_json::Value>>>) {
    let seen = Arc::new(Mutex::new(Vec::new()));
    let take = |State(seen): State<Arc<Mutex<Vec<serde_json::Value>>>>,
                axum::Json(body): axum::Json<serde_json::Value>| async move {
        seen.lock().unwrap().push(body);
        StatusCode::ACCEPTED
    };
    let routes = Router::new().route("/", post(take)).with_state(Arc::clone(&seen));
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    tokio::spawn(async { axum::serve(listener, routes).await });
    (url, seen)
}
