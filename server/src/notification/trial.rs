//! A test message, so that someone who enters a recipient can see at once whether it arrives.

use chrono::Utc;
use sqlx::PgConnection;

use super::{
    Way,
    config::Config,
    courier::Courier,
    failure::Failure,
    mail::{self, Letter, Words},
    notice::MessageKey,
    text,
    webhook::{Target, payload::Payload},
};

/// Sends a test message to a recipient by each of these ways that it has, now and once, past the outbox. Each way comes with what the
/// receiving server said, or why it failed. Empty when there is no such recipient.
///
/// # Errors
/// When the database refuses.
pub async fn send_test(
    conn: &mut PgConnection,
    recipient_id: i32,
    ways: &[Way],
    public_url: &str,
    config: &Config,
) -> sqlx::Result<Vec<(Way, Result<String, Failure>)>> {
    let Some(to) = sqlx::query_as!(
        To,
        "select name, email, webhook_url, webhook_secret,
             case when webhook_secret_old_until > now() then webhook_secret_old end as old_secret,
             text_email, text_url, text_number, text_secret
         from recipient where id = $1",
        recipient_id
    )
    .fetch_optional(conn)
    .await?
    else {
        return Ok(Vec::new());
    };
    let courier = Courier::new(config, public_url).map_err(|e| Failure::permanent(super::failure::chain(&e)));
    let key = MessageKey { notification_id: i64::from(recipient_id), created_at: Utc::now() };
    let mut outcomes = Vec::new();
    for &way in ways {
        let has_it = match way {
            Way::Email => to.email.is_some(),
            Way::Webhook => to.webhook_url.is_some(),
            Way::TextByEmail => to.text_email.is_some(),
            Way::TextByHttp => to.text_url.is_some(),
        };
        if has_it {
            let outcome = match &courier {
                Ok(courier) => courier.test(way, &to, key).await,
                Err(failure) => Err(failure.clone()),
            };
            outcomes.push((way, outcome));
        }
    }
    Ok(outcomes)
}

/// Whom to send it to.
struct To {
    name: String,
    email: Option<String>,
    webhook_url: Option<String>,
    webhook_secret: Option<String>,
    old_secret: Option<String>,
    text_email: Option<String>,
    text_url: Option<String>,
    text_number: Option<String>,
    text_secret: Option<String>,
}

impl Courier {
    async fn test(&self, way: Way, to: &To, key: MessageKey) -> Result<String, Failure> {
        let word = |field: &'_ Option<String>| field.clone().unwrap_or_default();
        match way {
            Way::Email => self.test_email(&to.name, &word(&to.email), key).await,
            Way::Webhook => {
                let url = &word(&to.webhook_url);
                let (secret, old_secret) = (to.webhook_secret.as_deref(), to.old_secret.as_deref());
                let payload = Payload::test(key.name(), key.created_at);
                self.webhooks
                    .post(Target { url, secret, old_secret }, payload.id(), &payload, key.created_at)
                    .await
            }
            Way::TextByEmail => {
                let mailer = self.mailer()?;
                let letter =
                    mail::compose_text(text::of_test(), key, &to.name, &word(&to.text_email), &mailer.from)?;
                self.send(&letter).await
            }
            Way::TextByHttp => {
                let target =
                    Target { url: &word(&to.text_url), secret: to.text_secret.as_deref(), old_secret: None };
                let post = text::Post { to: &word(&to.text_number), text: &text::of_test() };
                self.webhooks.post(target, &key.name(), &post, key.created_at).await
            }
        }
    }

    fn mailer(&self) -> Result<&mail::smtp::Mailer, Failure> {
        self.mailer.as_ref().ok_or_else(|| Failure::passing(super::NO_MAIL_SERVER))
    }

    async fn test_email(&self, name: &str, address: &str, key: MessageKey) -> Result<String, Failure> {
        let words = Words {
            subject: "[test] Messages from Tapkeeper arrive here".into(),
            text: format!("Somebody asked for this test at {}\n\nNothing is wrong.\n", self.public_url),
            html: None,
        };
        self.send(&Letter::new(&self.mailer()?.from, name, address, words, key, None)?).await
    }

    async fn send(&self, letter: &Letter) -> Result<String, Failure> {
        let ready = self.mailer()?.open(&letter.envelope, &letter.bytes).await?;
        let farewell = ready.hand_over(&letter.bytes).await?;
        let reply = farewell.reply.clone();
        farewell.quit().await;
        Ok(reply)
    }
}
