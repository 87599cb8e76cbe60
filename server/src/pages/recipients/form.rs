//! What is typed of a recipient, and what it means.

use regulator::conditions::Priority;
use serde::Deserialize;
use sqlx::PgConnection;
use web::{board::Choice, people::RecipientForm};

use super::store;
use crate::people::admin::looks_like_an_address;

/// What the form carries.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Typed {
    pub(super) name: String,
    pub(super) email: String,
    pub(super) webhook_url: String,
    pub(super) area: String,
    pub(super) least_priority: String,
}

/// What it means.
#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) name: String,
    pub(super) email: Option<String>,
    pub(super) webhook_url: Option<String>,
    pub(super) area_kind: String,
    pub(super) area_id: Option<i32>,
    pub(super) least: Priority,
}

/// Every field, or the first mistake with its remedy.
pub(super) async fn understood(db: &mut PgConnection, typed: &Typed) -> sqlx::Result<Result<Wanted, String>> {
    let areas = store::areas(db).await?;
    Ok(parse(typed, &areas))
}

fn parse(typed: &Typed, areas: &[store::Area]) -> Result<Wanted, String> {
    let name = typed.name.trim().to_owned();
    if name.is_empty() || name.chars().count() > 100 || name.chars().any(char::is_control) {
        return Err("A recipient needs a name, of at most 100 characters.".to_owned());
    }
    let email = some(&typed.email);
    if let Some(email) = email.as_deref().filter(|email| !looks_like_an_address(email)) {
        return Err(format!("“{email}” is not an e-mail address; it needs a name, an @ and a domain."));
    }
    let webhook_url = some(&typed.webhook_url);
    if let Some(url) = &webhook_url {
        let fine = reqwest::Url::parse(url).is_ok_and(|url| {
            matches!(url.scheme(), "https" | "http") && url.has_host() && url.username().is_empty()
        });
        if !fine {
            return Err(format!(
                "“{url}” is not a web address; give it as https://HOST/PATH, without a user name."
            ));
        }
    }
    if email.is_none() && webhook_url.is_none() {
        return Err(
            "Give an e-mail address, a webhook address, or both; otherwise nothing can be sent.".to_owned()
        );
    }
    let area = areas
        .iter()
        .find(|area| area.value() == typed.area)
        .ok_or("The area is no longer in the inventory; choose one from the list.")?;
    let least = Priority::ALL
        .iter()
        .copied()
        .find(|p| p.title() == typed.least_priority)
        .ok_or("Choose the least priority from the list.")?;
    Ok(Wanted { name, email, webhook_url, area_kind: area.kind.clone(), area_id: area.id, least })
}

fn some(text: &str) -> Option<String> {
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

/// The form for a new recipient.
pub(super) async fn blank(db: &mut PgConnection) -> sqlx::Result<RecipientForm> {
    let typed = Typed {
        area: "fleet".to_owned(),
        least_priority: Priority::High.title().to_owned(),
        ..Typed::default()
    };
    again(db, typed, "/recipients".to_owned(), false, None).await
}

/// The form with what was typed or is stored.
pub(super) async fn again(
    db: &mut PgConnection,
    typed: Typed,
    action: String,
    has_secret: bool,
    error: Option<String>,
) -> sqlx::Result<RecipientForm> {
    let area = |area: store::Area| Choice {
        chosen: area.value() == typed.area,
        value: area.value(),
        title: area.name,
    };
    let areas = store::areas(db).await?.into_iter().map(area).collect();
    let priority = |p: &Priority| Choice {
        value: p.title().to_owned(),
        title: p.title().to_owned(),
        chosen: p.title() == typed.least_priority,
    };
    Ok(RecipientForm {
        areas,
        priorities: Priority::ALL.iter().map(priority).collect(),
        action,
        name: typed.name,
        email: typed.email,
        webhook_url: typed.webhook_url,
        has_secret,
        error,
    })
}
