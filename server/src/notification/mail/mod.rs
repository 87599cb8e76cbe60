//! The e-mail that tells of a transition. [`smtp`] brings it to the mail server.

mod letter;
pub(crate) mod smtp;

use askama::Template;
use chrono::{DateTime, Utc};
use lettre::message::Mailbox;
use regulator::conditions::{Change, Condition, Fact};

pub(crate) use letter::{Letter, Words};

use super::{
    failure::Failure,
    notice::{Notice, Place},
};

/// Said where a message could lead someone to touch equipment.
pub(crate) const SAFETY: &str = "Safety: Tapkeeper is not a substitute for verification at the equipment. \
     Follow your utility's switching procedures, local codes and licensed practice.";

/// What both forms of the letter show.
struct View {
    headline: String,
    summary: String,
    place: String,
    since: String,
    until: Option<String>,
    facts: Vec<String>,
    response: &'static str,
    link: String,
    safety: bool,
}

#[derive(Template)]
#[template(path = "mail/notice.txt")]
struct Text<'a> {
    view: &'a View,
}

#[derive(Template)]
#[template(path = "mail/notice.html")]
struct Html<'a> {
    view: &'a View,
}

/// Puts a notice into words.
///
/// # Errors
/// [`Failure::Permanent`] when the recipient's address is not one.
pub(crate) fn compose(
    notice: &Notice,
    name: &str,
    address: &str,
    from: &Mailbox,
    public_url: &str,
) -> Result<Letter, Failure> {
    let view = View::of(notice, public_url);
    let (Ok(text), Ok(html)) = (Text { view: &view }.render(), Html { view: &view }.render()) else {
        return Err(Failure::permanent("the message could not be put into words"));
    };
    let words = Words { subject: subject(notice), text, html: Some(html) };
    Letter::new(from, name, address, words, notice.key(), notice.about)
}

impl View {
    fn of(notice: &Notice, public_url: &str) -> Self {
        let returned = notice.change == Change::Returned;
        let zone = notice.place.time_zone();
        let title = notice.title();
        Self {
            headline: if returned {
                format!("Back to normal: {title}")
            } else {
                format!("{title} ({} priority)", notice.priority_title())
            },
            summary: if returned { format!("It was: {}", notice.summary) } else { notice.summary.clone() },
            place: place_line(&notice.place),
            since: time_at_site(notice.raised_at, zone),
            until: returned.then(|| time_at_site(notice.at, zone)),
            facts: notice.facts.iter().map(fact_line).collect(),
            response: if returned { "" } else { notice.response },
            link: notice.link(public_url),
            safety: notice.known_condition().is_some_and(concerns_equipment),
        }
    }
}

/// Readable on a lock screen: how urgent, what, where.
fn subject(notice: &Notice) -> String {
    let mark = match notice.change {
        Change::Raised => notice.priority_title(),
        Change::Returned => "back to normal",
    };
    format!("[{mark}] {} - {}", notice.title(), notice.place.short())
}

fn place_line(place: &Place) -> String {
    match place {
        Place::Regulator(r) => format!(
            "{} phase {}, {}, feeder {}, substation {}",
            r.site, r.phase, r.bank, r.feeder, r.substation
        ),
        Place::Endpoint { address, sites, .. } if !sites.is_empty() => {
            format!("{address}, which serves {}", sites.join(", "))
        }
        Place::Endpoint { address, .. } => address.clone(),
        Place::Poller(name) => format!("poller {name}"),
    }
}

/// The wall clock at the site, with its zone, and UTC.
fn time_at_site(at: DateTime<Utc>, zone: Option<chrono_tz::Tz>) -> String {
    let Some(zone) = zone.filter(|z| *z != chrono_tz::UTC) else {
        return at.format("%a %-d %b %Y %H:%M:%S UTC").to_string();
    };
    let local = at.with_timezone(&zone).format("%a %-d %b %Y %H:%M:%S %Z");
    format!("{local} ({} UTC)", at.format("%-d %b %H:%M:%S"))
}

fn fact_line(fact: &Fact) -> String {
    let value = number(fact.value);
    if fact.unit.is_empty() {
        format!("{}: {value}", fact.label)
    } else {
        format!("{}: {value} {}", fact.label, fact.unit)
    }
}

/// At most two decimals, none that say nothing.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// Whether the response is likely to bring someone to the equipment.
fn concerns_equipment(condition: Condition) -> bool {
    condition.touches_equipment()
}

#[cfg(test)]
mod tests;
