//! The ways in which somebody is reached: what is typed, what it means, and which secrets go with it.

use serde::Deserialize;
use sqlx::PgConnection;
use web::people::{NewSecret, Tried};

use crate::{
    app::App,
    notification::{self, Way},
    people::admin::looks_like_an_address,
};

/// What the form carries.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
pub(in crate::pages) struct TypedWays {
    pub(in crate::pages) email: String,
    pub(in crate::pages) webhook_url: String,
    pub(in crate::pages) text_email: String,
    pub(in crate::pages) text_url: String,
    pub(in crate::pages) text_number: String,
}

/// What it means.
#[derive(Debug, Default, Clone)]
pub(in crate::pages) struct Ways {
    pub(in crate::pages) email: Option<String>,
    pub(in crate::pages) webhook_url: Option<String>,
    pub(in crate::pages) text_email: Option<String>,
    pub(in crate::pages) text_url: Option<String>,
    pub(in crate::pages) text_number: Option<String>,
}

impl TypedWays {
    /// The ways that there are: name and title.
    pub(in crate::pages) fn there(&self) -> Vec<(&'static str, &'static str)> {
        let there = |way: &Way| {
            let address = match way {
                Way::Email => &self.email,
                Way::Webhook => &self.webhook_url,
                Way::TextByEmail => &self.text_email,
                Way::TextByHttp => &self.text_url,
            };
            (!address.is_empty()).then_some((way.name(), way.title()))
        };
        Way::ALL.iter().filter_map(there).collect()
    }

    /// As pages show it.
    pub(in crate::pages) fn shown(self, has_secret: bool, has_text_secret: bool) -> web::people::Ways {
        web::people::Ways {
            email: self.email,
            webhook_url: self.webhook_url,
            text_email: self.text_email,
            text_url: self.text_url,
            text_number: self.text_number,
            has_secret,
            has_text_secret,
        }
    }

    /// Every way, or the first mistake with its remedy.
    pub(in crate::pages) fn understood(&self) -> Result<Ways, String> {
        let text_url = web_address(&self.text_url)?;
        let text_number = telephone(&self.text_number)?;
        match (&text_url, &text_number) {
            (Some(_), None) => {
                return Err(
                    "Give the telephone number that the gateway shall send text messages to.".to_owned()
                );
            }
            (None, Some(_)) => {
                return Err(
                    "Give the web address of the gateway for the telephone number, or leave out the number."
                        .to_owned(),
                );
            }
            _ => {}
        }
        Ok(Ways {
            email: mail_address(&self.email)?,
            webhook_url: web_address(&self.webhook_url)?,
            text_email: mail_address(&self.text_email)?,
            text_url,
            text_number,
        })
    }
}

impl Ways {
    /// Whether there is none.
    pub(in crate::pages) const fn is_empty(&self) -> bool {
        self.email.is_none()
            && self.webhook_url.is_none()
            && self.text_email.is_none()
            && self.text_url.is_none()
    }
}

fn some(text: &str) -> Option<String> {
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

fn mail_address(text: &str) -> Result<Option<String>, String> {
    let email = some(text);
    match email.as_deref().filter(|email| !looks_like_an_address(email)) {
        Some(email) => {
            Err(format!("“{email}” is not an e-mail address; it needs a name, an @ and a domain."))
        }
        None => Ok(email),
    }
}

fn web_address(text: &str) -> Result<Option<String>, String> {
    let Some(url) = some(text) else { return Ok(None) };
    let fine = reqwest::Url::parse(&url).is_ok_and(|url| {
        matches!(url.scheme(), "https" | "http") && url.has_host() && url.username().is_empty()
    });
    if fine {
        Ok(Some(url))
    } else {
        Err(format!("“{url}” is not a web address; give it as https://HOST/PATH, without a user name."))
    }
}

/// A number as ITU-T E.164 has it: + and at most 15 digits, of which the country's code does not begin with 0.
fn telephone(text: &str) -> Result<Option<String>, String> {
    let Some(typed) = some(text) else { return Ok(None) };
    let number: String = typed.chars().filter(|c| !matches!(c, ' ' | '-' | '(' | ')' | '.')).collect();
    let digits = number.strip_prefix('+').unwrap_or("");
    let fine = (7..=15).contains(&digits.len())
        && digits.bytes().all(|b| b.is_ascii_digit())
        && !digits.starts_with('0');
    if fine {
        Ok(Some(number))
    } else {
        Err(format!(
            "“{typed}” is not a telephone number; write it with + and the country’s code, as in +1 303 555 0100."
        ))
    }
}

/// Secrets that have to be made because a receiver is new: one goes with one receiver, so another address gets another secret.
#[derive(Debug, Default)]
pub(in crate::pages) struct Secrets {
    pub(in crate::pages) webhook: Option<String>,
    pub(in crate::pages) text: Option<String>,
}

impl Secrets {
    /// Those for the receivers that were not there before.
    pub(in crate::pages) fn for_new(before: &TypedWays, wanted: &Ways) -> Self {
        let new = |url: &Option<String>, before: &str| {
            url.as_deref().filter(|url| *url != before).map(|_| notification::new_secret())
        };
        Self {
            webhook: new(&wanted.webhook_url, &before.webhook_url),
            text: new(&wanted.text_url, &before.text_url),
        }
    }

    /// As pages show them, once.
    pub(in crate::pages) fn shown(self) -> Vec<NewSecret> {
        let webhook = self.webhook.map(|secret| ("The webhook’s new secret", secret));
        let text = self.text.map(|secret| ("The text gateway’s new secret", secret));
        webhook.into_iter().chain(text).collect()
    }
}

/// Sends a test by the way of this name, or by every way when there is none of it, and says what came of it.
pub(in crate::pages) async fn try_ways(
    db: &mut PgConnection,
    app: &App,
    id: i32,
    name: &str,
) -> sqlx::Result<Vec<Tried>> {
    let only = Way::from_name(name).map(|way| vec![way]);
    let ways = only.unwrap_or_else(|| Way::ALL.to_vec());
    let config = &app.config;
    let tried = notification::send_test(db, id, &ways, &config.public_url, &config.notification).await?;
    let told = |(way, outcome): (Way, Result<String, notification::Failure>)| match outcome {
        Ok(said) => (way.title(), true, said),
        Err(failure) => (way.title(), false, failure.to_string()),
    };
    Ok(tried.into_iter().map(told).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-T E.164 (11/2010), clause 6.2.1: at most 15 digits. The numbers are of the range kept for fiction.
    #[test]
    fn telephone_numbers_are_read_as_people_write_them() {
        for typed in ["+1 303 555 0100", "+1 (303) 555-0100", "+13035550100"] {
            assert_eq!(telephone(typed), Ok(Some("+13035550100".to_owned())), "{typed}");
        }
        for typed in ["303 555 0100", "+0303555010", "+1303555O100", "+1234567890123456", "+123"] {
            assert!(telephone(typed).is_err(), "{typed}");
        }
        assert_eq!(telephone(" "), Ok(None));
    }

    #[test]
    fn a_gateway_needs_a_number_and_a_number_a_gateway() {
        let typed = |url: &str, number: &str| TypedWays {
            text_url: url.into(),
            text_number: number.into(),
            ..TypedWays::default()
        };
        assert!(typed("https://text.example.org/send", "").understood().is_err());
        assert!(typed("", "+13035550100").understood().is_err());
        assert!(typed("https://text.example.org/send", "+13035550100").understood().is_ok());
    }
}
