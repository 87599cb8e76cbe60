//! What is typed of a recipient, and what it means.

use regulator::conditions::Priority;
use serde::Deserialize;
use sqlx::PgConnection;
use web::{board::Choice, people::RecipientForm};

use super::{
    areas::{Area, areas},
    ways::{TypedWays, Ways},
};

/// What the form carries.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Typed {
    pub(super) name: String,
    #[serde(flatten)]
    pub(super) ways: TypedWays,
    pub(super) area: String,
    pub(super) least_priority: String,
}

/// What it means.
#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) name: String,
    pub(super) ways: Ways,
    pub(super) told: Told,
}

/// Of which alarms somebody is told.
#[derive(Debug)]
pub(in crate::pages) struct Told {
    pub(in crate::pages) area_kind: String,
    pub(in crate::pages) area_id: Option<i32>,
    pub(in crate::pages) least: Priority,
}

/// Every field, or the first mistake with its remedy.
pub(super) async fn understood(db: &mut PgConnection, typed: &Typed) -> sqlx::Result<Result<Wanted, String>> {
    let areas = areas(db).await?;
    Ok(parse(typed, &areas))
}

fn parse(typed: &Typed, areas: &[Area]) -> Result<Wanted, String> {
    let name = typed.name.trim().to_owned();
    if name.is_empty() || name.chars().count() > 100 || name.chars().any(char::is_control) {
        return Err("A recipient needs a name, of at most 100 characters.".to_owned());
    }
    let ways = typed.ways.understood()?;
    if ways.is_empty() {
        return Err(
            "Give an e-mail address, a webhook address, a text gateway, or several; otherwise nothing can be sent."
                .to_owned(),
        );
    }
    Ok(Wanted { name, ways, told: told(areas, &typed.area, &typed.least_priority)? })
}

/// Area and priority, or the first mistake with its remedy.
pub(in crate::pages) fn told(areas: &[Area], area: &str, least: &str) -> Result<Told, String> {
    let area = areas
        .iter()
        .find(|a| a.value() == area)
        .ok_or("The area is no longer in the inventory; choose one from the list.")?;
    let least = Priority::ALL
        .iter()
        .copied()
        .find(|p| p.title() == least)
        .ok_or("Choose the least priority from the list.")?;
    Ok(Told { area_kind: area.kind.clone(), area_id: area.id, least })
}

/// The form for a new recipient.
pub(super) async fn blank(db: &mut PgConnection) -> sqlx::Result<RecipientForm> {
    let typed = Typed {
        area: "fleet".to_owned(),
        least_priority: Priority::High.title().to_owned(),
        ..Typed::default()
    };
    again(db, typed, "/recipients".to_owned(), (false, false), None).await
}

/// The form with what was typed or is stored. `secrets`: whether the webhook and the text gateway have one.
pub(super) async fn again(
    db: &mut PgConnection,
    typed: Typed,
    action: String,
    secrets: (bool, bool),
    error: Option<String>,
) -> sqlx::Result<RecipientForm> {
    Ok(RecipientForm {
        areas: area_choices(areas(db).await?, &typed.area),
        priorities: priority_choices(&typed.least_priority),
        action,
        name: typed.name,
        ways: typed.ways.shown(secrets.0, secrets.1),
        error,
    })
}

/// Areas to choose from.
pub(in crate::pages) fn area_choices(areas: Vec<Area>, chosen: &str) -> Vec<Choice> {
    let choice =
        |area: Area| Choice { chosen: area.value() == chosen, value: area.value(), title: area.name };
    areas.into_iter().map(choice).collect()
}

/// Priorities to choose from.
pub(in crate::pages) fn priority_choices(chosen: &str) -> Vec<Choice> {
    let choice = |p: &Priority| Choice {
        value: p.title().to_owned(),
        title: p.title().to_owned(),
        chosen: p.title() == chosen,
    };
    Priority::ALL.iter().map(choice).collect()
}
