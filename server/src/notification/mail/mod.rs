//! The e-mail that tells of a transition. [`smtp`] brings it to the mail server.

mod letter;
pub(crate) mod smtp;

use askama::Template;
use chrono::{DateTime, TimeDelta, Utc};
use lettre::message::Mailbox;
use regulator::conditions::{Change, Condition, Fact};

pub(crate) use letter::{Letter, Thread, Words};

use super::{failure::Failure, notice::Notice, summary::Summary};

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
    /// Why this recipient is told.
    call: Option<String>,
    /// Nothing of these once it is over.
    advice: Option<Advice>,
    /// Where to acknowledge.
    answer: Option<String>,
    link: String,
    safety: bool,
}

/// What the program says of the condition.
struct Advice {
    cause: &'static str,
    consequence: &'static str,
    response: &'static str,
    within: String,
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

#[derive(Template)]
#[template(path = "mail/summary.txt")]
struct SummaryText<'a> {
    summary: &'a Summary,
    link: String,
    safety: bool,
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
        return Err(unspeakable());
    };
    let words = Words { subject: subject(notice), text, html: Some(html) };
    let thread = Thread { root: notice.root(), previous: notice.previous };
    Letter::new(from, name, address, words, notice.key(), Some(&thread))
}

/// Puts a summary into words.
///
/// # Errors
/// As [`compose`].
pub(crate) fn compose_summary(
    summary: &Summary,
    name: &str,
    address: &str,
    from: &Mailbox,
    public_url: &str,
) -> Result<Letter, Failure> {
    let safety = summary.concerns_equipment();
    let text = SummaryText { summary, link: summary.link(public_url), safety }.render();
    let text = text.map_err(|_| unspeakable())?;
    let words = Words { subject: summary.headline(), text, html: None };
    Letter::new(from, name, address, words, summary.key, None)
}

/// Puts a text message into the letter that a gateway takes.
///
/// # Errors
/// As [`compose`].
pub(crate) fn compose_text(
    text: String,
    key: super::notice::MessageKey,
    name: &str,
    address: &str,
    from: &Mailbox,
) -> Result<Letter, Failure> {
    Letter::new(from, name, address, Words { subject: String::new(), text, html: None }, key, None)
}

fn unspeakable() -> Failure {
    Failure::permanent("the message could not be put into words")
}

impl View {
    fn of(notice: &Notice, public_url: &str) -> Self {
        let returned = notice.change == Change::Returned;
        let zone = notice.place.time_zone();
        let title = notice.title();
        let again = if notice.again { "Raised again, acknowledged and unchanged: " } else { "" };
        Self {
            headline: if returned {
                format!("Back to normal: {title}")
            } else {
                format!("{again}{title} ({} priority)", notice.priority_title())
            },
            summary: if returned { format!("It was: {}", notice.summary) } else { notice.summary.clone() },
            place: notice.place.line(),
            since: time_at_site(notice.raised_at, zone),
            until: returned.then(|| time_at_site(notice.at, zone)),
            facts: notice.facts.iter().map(fact_line).collect(),
            call: notice.call.filter(|_| !returned).map(|call| call.words()),
            advice: notice.known_condition().filter(|_| !returned).map(Advice::on),
            answer: notice.answer_link(public_url),
            link: notice.link(public_url),
            safety: notice.known_condition().is_some_and(Condition::touches_equipment),
        }
    }
}

impl Advice {
    fn on(condition: Condition) -> Self {
        Self {
            cause: condition.cause(),
            consequence: condition.consequence(),
            response: condition.response(),
            within: condition.respond_within_words(),
        }
    }
}

/// Readable on a lock screen: how urgent, what, where.
fn subject(notice: &Notice) -> String {
    let mark = match notice.change {
        Change::Raised if notice.call.is_some_and(super::notice::Call::is_repeated) => {
            format!("{}, unanswered", notice.priority_title())
        }
        Change::Raised => notice.priority_title().to_owned(),
        Change::Returned => "back to normal".to_owned(),
    };
    format!("[{mark}] {} - {}", notice.title(), notice.place.short())
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
    match fact.unit.as_str() {
        "" => format!("{}: {value}", fact.label),
        "s" => format!("{}: {}", fact.label, duration(fact.value)),
        unit => format!("{}: {value} {unit}", fact.label),
    }
}

/// A length of time, given in seconds, as people say it.
fn duration(seconds: f64) -> String {
    if seconds.abs() < 10.0 {
        return format!("{} s", number(seconds));
    }
    #[allow(clippy::cast_possible_truncation, reason = "lengths of time far below 2^63 s")]
    let whole = seconds.round() as i64;
    web::words::span(TimeDelta::try_seconds(whole).unwrap_or(TimeDelta::MAX))
}

/// At most two decimals, none that say nothing.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

#[cfg(test)]
mod tests;
