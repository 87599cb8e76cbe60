//! A test message, so that someone who enters a recipient can see at once whether it arrives.

use chrono::Utc;
use sqlx::PgConnection;

use super::{
    Way,
    config::Config,
    courier::Courier,
    failure::Failure,
    mail::{Letter, Words},
    notice::MessageKey,
    webhook::{Target, payload::Payload},
};

/// Sends a test message to a recipient by every way it has, now and once, past the outbox. Each way comes with what the
/// receiving server said, or why it failed. Empty when there is no such recipient.
///
/// # Errors
/// When the database refuses.
pub async fn send_test(
    conn: &mut PgConnection,
    recipient_id: i32,
    public_url: &str,
    config: &Config,
) -> sqlx::Result<Vec<(Way, Result<String, Failure>)>> {
    let Some(to) = sqlx::query!(
        "select name, email, webhook_url, webhook_secret from recipient where id = $1",
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
    if let Some(address) = &to.email {
        let outcome = match &courier {
            Ok(courier) => courier.test_email(&to.name, address, key).await,
            Err(failure) => Err(failure.clone()),
        };
        outcomes.push((Way::Email, outcome));
    }
    if let Some(url) = &to.webhook_url {
        let target = Target { url, secret: to.webhook_secret.as_deref() };
        let outcome = match &courier {
            Ok(courier) => courier.test_webhook(target, key).await,
            Err(failure) => Err(failure.clone()),
        };
        outcomes.push((Way::Webhook, outcome));
    }
    Ok(outcomes)
}

impl Courier {
    async fn test_email(&self, name: &str, address: &str, key: MessageKey) -> Result<String, Failure> {
        let mailer = self.mailer.as_ref().ok_or_else(|| Failure::passing(super::NO_MAIL_SERVER))?;
        let words = Words {
            subject: "[test] Messages from Tapkeeper arrive here".into(),
            text: format!("Somebody asked for this test at {}\n\nNothing is wrong.\n", self.public_url),
            html: None,
        };
        let letter = Letter::new(&mailer.from, name, address, words, key, None)?;
        let farewell = mailer.open(&letter.envelope, &letter.bytes).await?.hand_over(&letter.bytes).await?;
        let reply = farewell.reply.clone();
        farewell.quit().await;
        Ok(reply)
    }

    async fn test_webhook(&self, target: Target<'_>, key: MessageKey) -> Result<String, Failure> {
        let payload = Payload::test(key.name(), key.created_at);
        self.webhooks.post(target, payload.id(), &payload, key.created_at).await
    }
}
