use std::time::Duration;

use base64::{Engine, prelude::BASE64_STANDARD};
use chrono::DateTime;

use super::*;
use crate::notification::{
    mail::{Letter, Words},
    notice::MessageKey,
    testing::smtp::{Act, Offer, SmtpPeer},
};

fn letter(mailer: &Mailer, text: &str) -> Letter {
    let words = Words { subject: "A test".into(), text: text.into(), html: None };
    let key = MessageKey { notification_id: 7, created_at: DateTime::UNIX_EPOCH };
    Letter::new(&mailer.from, "Someone", "someone@example.org", words, key, None).unwrap()
}

async fn send(settings: Smtp, text: &str) -> Result<String, Failure> {
    let mailer = Mailer::new(settings).unwrap();
    let letter = letter(&mailer, text);
    let farewell = mailer.open(&letter.envelope, &letter.bytes).await?.hand_over(&letter.bytes).await?;
    let reply = farewell.reply.clone();
    farewell.quit().await;
    Ok(reply)
}

fn is_permanent<T: fmt::Debug>(outcome: Result<T, Failure>) -> bool {
    matches!(outcome.unwrap_err(), Failure::Permanent(_))
}

#[tokio::test]
async fn a_text_arrives_as_it_was_whatever_its_lines_begin_with() {
    let peer = SmtpPeer::start(Offer::Plain, &[]).await;
    let reply = send(peer.settings(), "one\r\n.\r\n..two\r\nRSET\r\n").await.unwrap();
    assert_eq!(reply, "2.0.0 kept as 42");
    let [message] = peer.messages().try_into().unwrap();
    let (_, body) = message.split_once("\r\n\r\n").unwrap();
    assert_eq!(body.trim_end(), "one\r\n.\r\n..two\r\nRSET");
}

#[tokio::test]
async fn nothing_but_the_greeting_goes_in_the_clear_when_tls_is_required() {
    for offer in [Offer::StartTls, Offer::Wrapped] {
        let peer = SmtpPeer::start(offer, &[]).await;
        let mut settings = peer.settings();
        settings.user = Some("tap".into());
        settings.password = Some("keeper".into());
        send(settings, "text").await.unwrap();
        let in_the_clear: Vec<_> = peer.lines().into_iter().filter(|l| !l.starts_with("tls ")).collect();
        assert!(in_the_clear.iter().all(|l| l.starts_with("EHLO ") || l == "STARTTLS"), "{in_the_clear:?}");
        // RFC 4616: nothing, NUL, the user, NUL, the password
        let account = format!("tls AUTH PLAIN {}", BASE64_STANDARD.encode("\0tap\0keeper"));
        assert!(peer.lines().contains(&account), "{:?}", peer.lines());
        assert_eq!(peer.messages().len(), 1);
    }
}

#[tokio::test]
async fn a_server_that_offers_no_tls_gets_nothing_when_tls_is_required() {
    let peer = SmtpPeer::start(Offer::Plain, &[]).await;
    let settings = Smtp { tls: Tls::Required, ..peer.settings() };
    let failure = send(settings, "text").await.unwrap_err();
    assert!(failure.to_string().contains("STARTTLS is not supported"), "{failure}");
    assert!(!peer.lines().iter().any(|l| l.starts_with("MAIL")));
}

#[tokio::test]
async fn a_server_whose_certificate_nobody_vouches_for_gets_nothing() {
    for offer in [Offer::StartTls, Offer::Wrapped] {
        let peer = SmtpPeer::start(offer, &[]).await;
        let settings = Smtp { ca_file: None, ..peer.settings() };
        let failure = send(settings, "text").await.unwrap_err();
        assert!(failure.to_string().contains("certificate"), "{failure}");
        assert!(!is_permanent(Err::<(), _>(failure)), "certificates get mended");
        assert!(peer.messages().is_empty());
    }
}

#[tokio::test]
async fn plain_connections_stay_on_this_machine() {
    // 192.0.2.0/24 is for documentation (RFC 5737): nothing answers there
    let settings = Smtp::new("192.0.2.1", 25, Tls::PlainLoopbackOnly, "t@example.org");
    let failure = send(settings, "text").await.unwrap_err();
    assert!(failure.to_string().contains("not on this machine"), "{failure}");
}

#[tokio::test]
async fn a_refused_recipient_or_text_is_permanent_and_the_servers_own_words_are_kept() {
    for act in [Act::Rcpt("550 5.1.1 nobody here"), Act::End("554 5.6.0 not this")] {
        let peer = SmtpPeer::start(Offer::Plain, &[act]).await;
        let failure = send(peer.settings(), "text").await.unwrap_err();
        let (Act::Rcpt(said) | Act::End(said)) = act else { unreachable!() };
        assert!(failure.to_string().contains(&said[4..]), "{failure}");
        assert!(is_permanent(Err::<(), _>(failure)));
    }
}

#[tokio::test]
async fn what_may_pass_is_not_permanent() {
    for act in [
        Act::Greet("554 no service"),
        Act::Greet("421 later"),
        Act::Rcpt("451 4.7.1 greylisted"),
        Act::End("452 4.3.1 full"),
        Act::BreakOffInText,
        Act::TakeAndBreakOff,
        Act::SilentAtData,
        Act::RefuseAccount,
    ] {
        let peer = SmtpPeer::start(Offer::StartTls, &[act]).await;
        let mut settings = Smtp { step_timeout: Duration::from_millis(500), ..peer.settings() };
        settings.user = Some("tap".into());
        settings.password = Some("keeper".into());
        assert!(!is_permanent(send(settings, "text").await), "{act:?}");
    }
}

#[tokio::test]
async fn a_server_that_is_not_there_is_a_passing_failure() {
    let port = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap().port();
    let settings = Smtp::new("127.0.0.1", port, Tls::PlainLoopbackOnly, "t@example.org");
    assert!(!is_permanent(send(settings, "text").await));
}

#[test]
fn settings_that_cannot_work_are_refused_at_the_start() {
    let good = Smtp::new("mail.example.org", 587, Tls::Required, "t@example.org");
    let from = Smtp { from: "nobody".into(), ..good.clone() };
    assert!(Mailer::new(from).err().unwrap().to_string().contains("`nobody`"));
    let half = Smtp { user: Some("tap".into()), ..good.clone() };
    assert!(matches!(Mailer::new(half).err().unwrap(), SmtpSettingsError::HalfAnAccount));
    let no_file = Smtp { ca_file: Some("/nowhere/ca.pem".into()), ..good };
    assert!(Mailer::new(no_file).err().unwrap().to_string().contains("/nowhere/ca.pem"));
}
