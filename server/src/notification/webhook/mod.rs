//! Sends a message as a signed JSON POST.

mod address;
pub(crate) mod payload;
mod signature;

use std::{net::IpAddr, time::Duration};

use chrono::{DateTime, Utc};
use reqwest::{Client, Response, StatusCode, Url, header, redirect};
use serde::Serialize;

pub use signature::{BadSecret, new_secret};

use super::{
    config::Webhook,
    failure::{Failure, chain},
};
use address::{Guard, Refused};

/// How much of an answer is read: enough to see what a receiver complains of.
const LONGEST_ANSWER: usize = 1024;

/// Knows how to send webhooks.
#[derive(Debug, Clone)]
pub(crate) struct Sender {
    /// To public addresses and the allowed networks.
    secure: Client,
    secure_guard: Guard,
    /// In the clear, to the allowed networks alone.
    plain: Client,
    plain_guard: Guard,
}

/// Where a webhook goes and how it is signed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Target<'a> {
    pub(crate) url: &'a str,
    /// `whsec_...`; without one the message goes out unsigned.
    pub(crate) secret: Option<&'a str>,
    /// The one before it, while receivers may still know that only: messages bear both signatures.
    pub(crate) old_secret: Option<&'a str>,
}

impl Target<'_> {
    /// The value of the header `webhook-signature`, if there is a secret.
    fn signatures(&self, id: &str, timestamp: i64, body: &[u8]) -> Result<Option<String>, Failure> {
        let sign = |secret| {
            let key = signature::key(secret).map_err(|e| Failure::permanent(e.to_string()))?;
            Ok(signature::sign(&key, id, timestamp, body))
        };
        let all: Vec<String> =
            self.secret.into_iter().chain(self.old_secret).map(sign).collect::<Result<_, _>>()?;
        Ok((!all.is_empty()).then(|| all.join(" ")))
    }
}

impl Sender {
    /// # Errors
    /// When the HTTP client cannot be set up, for example for want of trusted certificates on this machine.
    pub(crate) fn new(settings: &Webhook) -> Result<Self, reqwest::Error> {
        // The HTTP client asks for a process-wide choice; that another part has made it already is fine.
        drop(rustls::crypto::ring::default_provider().install_default());
        let secure_guard = Guard::public_and(&settings.allow);
        let plain_guard = Guard::only(&settings.allow);
        Ok(Self {
            secure: client(secure_guard.clone(), settings.timeout)?,
            secure_guard,
            plain: client(plain_guard.clone(), settings.timeout)?,
            plain_guard,
        })
    }

    /// Posts a message. `id` is the same for every attempt. Returns what the receiver answered.
    ///
    /// # Errors
    /// [`Failure::Permanent`] when the receiver says 410 Gone, or when its address or secret cannot be used;
    /// [`Failure::Passing`] for any other answer but success, and for none.
    pub(crate) async fn post(
        &self,
        target: Target<'_>,
        id: &str,
        message: &impl Serialize,
        now: DateTime<Utc>,
    ) -> Result<String, Failure> {
        let body = serde_json::to_vec(message).map_err(|e| Failure::permanent(e.to_string()))?;
        let (client, url) = self.client_for(target.url)?;
        let timestamp = now.timestamp();
        let mut request = client
            .post(url)
            .header(header::CONTENT_TYPE, "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", timestamp);
        if let Some(signatures) = target.signatures(id, timestamp, &body)? {
            request = request.header("webhook-signature", signatures);
        }
        match request.body(body).send().await {
            Ok(answer) => judge(answer, now).await,
            Err(error) if refused(&error) => Err(Failure::permanent(chain(&error.without_url()))),
            Err(error) => Err(Failure::passing(format!("webhook: {}", chain(&error.without_url())))),
        }
    }

    fn client_for(&self, url: &str) -> Result<(&Client, Url), Failure> {
        let url: Url = url
            .trim()
            .parse()
            .map_err(|e| Failure::permanent(format!("the webhook's address is not a URL: {e}")))?;
        let (client, guard) = match url.scheme() {
            "https" => (&self.secure, &self.secure_guard),
            "http" => (&self.plain, &self.plain_guard),
            other => {
                return Err(Failure::permanent(format!(
                    "the webhook's address begins with {other}: where https: belongs"
                )));
            }
        };
        // A literal address is never looked up, so the guard must see it here.
        if let Some(literal) = literal_address(&url)
            && !guard.permits(literal)
        {
            return Err(Failure::permanent(guard.refusal(&literal.to_string())));
        }
        Ok((client, url))
    }
}

fn client(guard: Guard, timeout: Duration) -> Result<Client, reqwest::Error> {
    Client::builder()
        .dns_resolver(guard)
        .redirect(redirect::Policy::none())
        .no_proxy()
        .retry(reqwest::retry::never())
        .connect_timeout(timeout.min(Duration::from_secs(5)))
        .timeout(timeout)
        .referer(false)
        .user_agent(concat!("tapkeeper/", env!("CARGO_PKG_VERSION")))
        .build()
}

fn literal_address(url: &Url) -> Option<IpAddr> {
    url.host_str()?.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

fn refused(error: &reqwest::Error) -> bool {
    let mut source = std::error::Error::source(error);
    while let Some(cause) = source {
        if cause.is::<Refused>() {
            return true;
        }
        source = cause.source();
    }
    false
}

async fn judge(answer: Response, now: DateTime<Utc>) -> Result<String, Failure> {
    let status = answer.status();
    if status.is_success() {
        return Ok(format!("answered {status}"));
    }
    let retry_after =
        answer.headers().get(header::RETRY_AFTER).and_then(|v| retry_after(v.to_str().ok()?, now));
    let mut detail = format!("the receiver answered {status}");
    if status.is_redirection() {
        detail.push_str(", a redirect, which is not followed: enter the address it leads to");
    }
    let said = beginning(answer).await;
    if !said.is_empty() {
        detail.push_str(": ");
        detail.push_str(&said);
    }
    if status == StatusCode::GONE {
        return Err(Failure::Permanent(detail));
    }
    Err(Failure::Passing { detail, retry_after })
}

/// Retry-After is a number of seconds or a date (RFC 9110 section 10.2.3).
fn retry_after(value: &str, now: DateTime<Utc>) -> Option<Duration> {
    if let Ok(seconds) = value.trim().parse() {
        return Some(Duration::from_secs(seconds));
    }
    let date = DateTime::parse_from_rfc2822(value.trim()).ok()?;
    (date.with_timezone(&Utc) - now).to_std().ok()
}

/// The beginning of the answer's text, on one line. An endless answer costs no more than a short one.
async fn beginning(mut answer: Response) -> String {
    let mut bytes = Vec::new();
    while bytes.len() < LONGEST_ANSWER
        && let Ok(Some(chunk)) = answer.chunk().await
    {
        bytes.extend_from_slice(&chunk[..chunk.len().min(LONGEST_ANSWER - bytes.len())]);
    }
    let text = String::from_utf8_lossy(&bytes);
    text.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .chars()
        .filter(|c| !c.is_control())
        .take(200)
        .collect()
}

#[cfg(test)]
mod tests;
