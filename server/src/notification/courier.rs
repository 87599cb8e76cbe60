//! Carries one message by one way, whatever the outcome. Knows nothing of retries.

use chrono::Utc;
use sqlx::PgPool;

use super::{
    Way,
    config::Config,
    failure::Failure,
    mail::{
        self, Letter,
        smtp::{Mailer, SmtpSettingsError},
    },
    notice::{self, Addressee, Content, MessageKey},
    queue::{self, Claim},
    text,
    webhook::{Sender, Target, payload::Payload},
};

/// Why there is nobody to bring messages.
#[derive(Debug, thiserror::Error)]
pub enum SetupError {
    /// The mail server's settings.
    #[error(transparent)]
    Smtp(#[from] SmtpSettingsError),
    /// The HTTP client.
    #[error("preparing the HTTP client for webhooks")]
    Http(#[from] reqwest::Error),
}

/// Has everything it takes to bring a message.
#[derive(Clone)]
pub(crate) struct Courier {
    pub(crate) mailer: Option<Mailer>,
    pub(crate) webhooks: Sender,
    pub(crate) public_url: String,
}

/// How an attempt ended.
#[derive(Debug)]
pub(crate) enum Outcome {
    /// The message is out, and recorded as such.
    Sent,
    /// The message is out; recording that is still to be done.
    SentUnrecorded(String),
    /// It is not.
    Failed(Failure),
    /// Another server has the message now; it was not sent by this one.
    ClaimLost,
}

impl Courier {
    pub(crate) fn new(config: &Config, public_url: &str) -> Result<Self, SetupError> {
        Ok(Self {
            mailer: config.smtp.clone().map(Mailer::new).transpose()?,
            webhooks: Sender::new(&config.webhook)?,
            public_url: public_url.to_owned(),
        })
    }

    /// Makes one attempt at a claimed message.
    pub(crate) async fn attempt(&self, pool: &PgPool, way: Way, claim: &Claim) -> Outcome {
        let loaded = async {
            let mut conn = pool.acquire().await?;
            notice::load(&mut conn, claim.id).await
        };
        let (content, addressee) = match loaded.await {
            Ok(Some(loaded)) => loaded,
            Ok(None) => return Outcome::Failed(Failure::permanent("the message is no longer in the outbox")),
            Err(e) => return Outcome::Failed(Failure::passing(format!("reading the message: {e}"))),
        };
        if addressee.disabled {
            return Outcome::Failed(Failure::permanent("the recipient has been switched off"));
        }
        let attempt = match way {
            Way::Email | Way::TextByEmail => self.email(pool, claim, way, &content, &addressee).await,
            Way::Webhook => self.webhook(&content, &addressee).await.map(Outcome::SentUnrecorded),
            Way::TextByHttp => self.text(&content, &addressee).await.map(Outcome::SentUnrecorded),
        };
        attempt.unwrap_or_else(Outcome::Failed)
    }

    async fn email(
        &self,
        pool: &PgPool,
        claim: &Claim,
        way: Way,
        content: &Content,
        to: &Addressee,
    ) -> Result<Outcome, Failure> {
        let mailer = self.mailer.as_ref().ok_or_else(|| Failure::passing(super::NO_MAIL_SERVER))?;
        let letter = self.letter(mailer, way, content, to)?;
        let ready = mailer.open(&letter.envelope, &letter.bytes).await?;
        // Everything that can be done beforehand is: the outcome is written, the claim proven and its row locked, so that only
        // the commit stands between the mail server's word and a message that will not be sent again.
        let database =
            |e: sqlx::Error| Failure::passing(format!("not sent, as it could not be recorded: {e}"));
        let mut transaction = pool.begin().await.map_err(database)?;
        if !queue::record_sent(&mut transaction, claim, &letter.message_id).await.map_err(database)? {
            return Ok(Outcome::ClaimLost);
        }
        let farewell = match ready.hand_over(&letter.bytes).await {
            Ok(farewell) => farewell,
            Err(failure) => {
                // If even this fails, the database does it when the connection ends.
                drop(transaction.rollback().await);
                return Err(failure);
            }
        };
        let recorded = transaction.commit().await;
        let detail = format!("{}, {}", letter.message_id, farewell.reply);
        farewell.quit().await;
        if recorded.is_err() {
            return Ok(Outcome::SentUnrecorded(detail));
        }
        // The server's own name for the message helps to trace it; without it nothing is wrong.
        if let Ok(mut conn) = pool.acquire().await {
            drop(queue::note_reply(&mut conn, claim, &detail).await);
        }
        Ok(Outcome::Sent)
    }

    fn letter(
        &self,
        mailer: &Mailer,
        way: Way,
        content: &Content,
        to: &Addressee,
    ) -> Result<Letter, Failure> {
        let (name, from, url) = (&to.name, &mailer.from, &self.public_url);
        if way == Way::TextByEmail {
            let address = still(to.text_email.as_deref(), "address for text messages")?;
            return mail::compose_text(content.text(url), content.key(), name, address, from);
        }
        let address = still(to.email.as_deref(), "e-mail address")?;
        match content {
            Content::Alarm(notice) => mail::compose(notice, name, address, from, url),
            Content::Summary(summary) => mail::compose_summary(summary, name, address, from, url),
        }
    }

    async fn webhook(&self, content: &Content, to: &Addressee) -> Result<String, Failure> {
        let url = still(to.webhook_url.as_deref(), "webhook")?;
        let payload = Payload::of(content, &self.public_url);
        let target =
            Target { url, secret: to.webhook_secret.as_deref(), old_secret: to.old_secret.as_deref() };
        self.webhooks.post(target, payload.id(), &payload, Utc::now()).await
    }

    async fn text(&self, content: &Content, to: &Addressee) -> Result<String, Failure> {
        let url = still(to.text_url.as_deref(), "gateway for text messages")?;
        let number = still(to.text_number.as_deref(), "telephone number")?;
        let post = text::Post { to: number, text: &content.text(&self.public_url) };
        let target = Target { url, secret: to.text_secret.as_deref(), old_secret: None };
        self.webhooks.post(target, &content.key().name(), &post, Utc::now()).await
    }
}

impl Content {
    fn key(&self) -> MessageKey {
        match self {
            Self::Alarm(notice) => notice.key(),
            Self::Summary(summary) => summary.key,
        }
    }

    /// As a text message.
    fn text(&self, public_url: &str) -> String {
        match self {
            Self::Alarm(notice) => text::of(notice, public_url),
            Self::Summary(summary) => text::of_summary(summary, public_url),
        }
    }
}

/// What the recipient had when the message was written.
fn still<'a>(address: Option<&'a str>, what: &str) -> Result<&'a str, Failure> {
    address.ok_or_else(|| Failure::permanent(format!("the recipient has no {what} any more")))
}
