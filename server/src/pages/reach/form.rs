//! What is typed of how a person is reached, and what it means.

use chrono::Weekday;
use oncall::{
    Priority,
    quiet::{Days, QuietHours},
};
use sqlx::PgConnection;
use web::{board::Choice, reach::ReachPage};

use crate::{
    error::sentence,
    pages::{
        recipients::{Told, TypedWays, Ways, area_choices, areas, priority_choices, told},
        rotas::{Fields, time, zone},
    },
};

/// What it means.
pub(super) struct Wanted {
    pub(super) ways: Ways,
    pub(super) standing: bool,
    pub(super) told: Told,
    pub(super) quiet: Option<QuietHours>,
}

const DAYS: [Weekday; 7] =
    [Weekday::Mon, Weekday::Tue, Weekday::Wed, Weekday::Thu, Weekday::Fri, Weekday::Sat, Weekday::Sun];

/// Every field, or the first mistake with its remedy.
pub(super) async fn understood(
    db: &mut PgConnection,
    fields: &Fields,
) -> sqlx::Result<Result<Wanted, String>> {
    let areas = areas(db).await?;
    let told = told(&areas, fields.one("area"), fields.one("least_priority"));
    let parts = || -> Result<Wanted, String> {
        Ok(Wanted {
            ways: ways(fields).understood()?,
            standing: fields.one("standing") == "yes",
            told: told?,
            quiet: quiet(fields)?,
        })
    };
    Ok(parts())
}

fn ways(fields: &Fields) -> TypedWays {
    let of = |name: &str| fields.one(name).to_owned();
    TypedWays {
        email: of("email"),
        webhook_url: of("webhook_url"),
        text_email: of("text_email"),
        text_url: of("text_url"),
        text_number: of("text_number"),
    }
}

fn quiet(fields: &Fields) -> Result<Option<QuietHours>, String> {
    if fields.one("quiet") != "yes" {
        return Ok(None);
    }
    let chosen: Vec<Weekday> = fields.all("quiet_day").filter_map(|day| day.parse().ok()).collect();
    let up_to = fields.one("quiet_up_to").parse::<i16>().ok().and_then(|n| Priority::try_from(n).ok());
    let hours = QuietHours {
        zone: zone(fields.one("quiet_zone"))?,
        from: time(fields.one("quiet_from"), "Quiet from")?,
        to: time(fields.one("quiet_to"), "Quiet to")?,
        days: Days::of(&chosen),
        up_to: up_to.ok_or("Choose from the list what waits in the quiet hours.")?,
    };
    hours.check().map_err(|fault| sentence(&fault))?;
    Ok(Some(hours))
}

/// Quiet hours as the page shows them; a usual night where there are none.
pub(super) fn shown(hours: Option<&QuietHours>, usual_zone: &str) -> web::reach::Quiet {
    let time = |time: chrono::NaiveTime| time.format("%H:%M").to_string();
    web::reach::Quiet {
        on: hours.is_some(),
        from: hours.map_or_else(|| "22:00".to_owned(), |h| time(h.from)),
        to: hours.map_or_else(|| "07:00".to_owned(), |h| time(h.to)),
        up_to: up_to(&hours.map_or(Priority::Medium, |h| h.up_to)),
        days: days(|day| hours.is_none_or(|h| h.days.contains(day))),
        zone: hours.map_or_else(|| usual_zone.to_owned(), |h| h.zone.to_string()),
    }
}

fn up_to(chosen: &Priority) -> Vec<Choice> {
    let steps =
        [(Priority::Low, "low"), (Priority::Medium, "low and medium"), (Priority::High, "all but critical")];
    let choice = |(priority, title): (Priority, &str)| Choice {
        value: i16::from(priority).to_string(),
        title: title.to_owned(),
        chosen: priority == *chosen,
    };
    steps.into_iter().map(choice).collect()
}

fn days(chosen: impl Fn(Weekday) -> bool) -> Vec<Choice> {
    let choice =
        |day: Weekday| Choice { value: day.to_string(), title: day.to_string(), chosen: chosen(day) };
    DAYS.into_iter().map(choice).collect()
}

/// Puts what was typed into the page.
pub(super) fn retype(page: &mut ReachPage, fields: &Fields) {
    page.ways = ways(fields).shown(page.ways.has_secret, page.ways.has_text_secret);
    page.standing = fields.one("standing") == "yes";
    for (choices, name) in [
        (&mut page.areas, "area"),
        (&mut page.priorities, "least_priority"),
        (&mut page.quiet.up_to, "quiet_up_to"),
    ] {
        for choice in choices {
            choice.chosen = choice.value == fields.one(name);
        }
    }
    for day in &mut page.quiet.days {
        day.chosen = fields.all("quiet_day").any(|chosen| chosen == day.value);
    }
    page.quiet.on = fields.one("quiet") == "yes";
    page.quiet.from = fields.one("quiet_from").to_owned();
    page.quiet.to = fields.one("quiet_to").to_owned();
    page.quiet.zone = fields.one("quiet_zone").to_owned();
}

/// Areas and priorities to choose from.
pub(super) async fn choices(
    db: &mut PgConnection,
    area: &str,
    least: &str,
) -> sqlx::Result<(Vec<Choice>, Vec<Choice>)> {
    Ok((area_choices(areas(db).await?, area), priority_choices(least)))
}
