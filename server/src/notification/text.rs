//! Text messages: 160 characters of the GSM basic set, most important first.
//!
//! A message of up to 160 characters of the 7-bit default alphabet of 3GPP TS 23.038 (section 6.2.1; GSM 03.38 before) is sent in one piece. Other
//! letters would halve that, or break the message in two; so they are written as the nearest that the alphabet has, or left out. The table of the
//! extension (braces, brackets, the euro sign), whose characters count twice, is not used either.

use regulator::conditions::{Change, Priority};
use serde::Serialize;

use super::{notice::Notice, summary::Summary};

/// Characters in one message.
pub(crate) const LONGEST: usize = 160;
/// Characters that words need at the least; a link that leaves less room is left out.
const LEAST_WORDS: usize = 64;
/// What a place is not shortened below for the sake of the number.
const LEAST_PLACE: usize = 24;
/// A part cut shorter than this says nothing.
const LEAST_PART: usize = 6;

/// What a gateway is sent.
#[derive(Debug, Serialize)]
pub(crate) struct Post<'a> {
    pub(crate) to: &'a str,
    pub(crate) text: &'a str,
}

/// The text that tells of a transition.
pub(crate) fn of(notice: &Notice, public_url: &str) -> String {
    let title = notice.title();
    let (head, number) = match notice.change {
        Change::Raised => {
            let number = notice.summary.split(',').next().unwrap_or_default();
            (format!("{} {title}", notice.priority_title().to_uppercase()), number)
        }
        Change::Returned => (format!("Back to normal: {title}"), ""),
    };
    let link = notice.answer_link(public_url).unwrap_or_else(|| notice.link(public_url));
    fit(&head, &notice.place.shortest(), number, &link)
}

/// The text that stands for several.
pub(crate) fn of_summary(summary: &Summary, public_url: &str) -> String {
    let (link, room) = with_link(&summary.link(public_url));
    let mark = Priority::from_level(summary.priority).map_or("", Priority::title).to_uppercase();
    let mut words = basic(&format!("{mark} {}", summary.count_words()));
    for (i, group) in summary.groups.iter().enumerate() {
        let more = format!("{} {}", if i == 0 { ":" } else { "," }, basic(&group.short()));
        if length(&words) + length(&more) + 4 > room {
            words.push_str(", ..");
            break;
        }
        words.push_str(&more);
    }
    format!("{words}{link}")
}

/// The text of a test.
pub(crate) fn of_test() -> String {
    "Test: text messages from Tapkeeper arrive here. Nothing is wrong.".to_owned()
}

/// The number is there whole or not at all: cut, it would be another one.
fn fit(head: &str, place: &str, number: &str, link: &str) -> String {
    let (link, room) = with_link(link);
    let mut words = shorten(&basic(head), room);
    let (place, number) = (basic(place), basic(number));
    let mut add = |part: &str, kept_free: usize| {
        let left = room.saturating_sub(length(&words) + 2 + kept_free);
        if !part.is_empty() && left >= length(part).min(LEAST_PART) {
            words.push_str(if words.contains(": ") { ", " } else { ": " });
            words.push_str(&shorten(part, left));
        }
        room.saturating_sub(length(&words) + 2)
    };
    let left = add("", 0);
    let for_number = if number.is_empty() { 0 } else { length(&number) + 2 };
    let has_number = for_number > 0 && left >= for_number + length(&place).min(LEAST_PLACE);
    add(&place, if has_number { for_number } else { 0 });
    if has_number {
        add(&number, 0);
    }
    format!("{words}{link}")
}

/// The link with the space before it, and the room that it leaves; nothing of it where that would be too little.
fn with_link(link: &str) -> (String, usize) {
    let spaced = format!(" {link}");
    let plain = link.chars().all(is_basic);
    match LONGEST.checked_sub(length(&spaced)) {
        Some(room) if room >= LEAST_WORDS && plain => (spaced, room),
        _ => (String::new(), LONGEST),
    }
}

fn length(text: &str) -> usize {
    text.chars().count()
}

fn shorten(text: &str, most: usize) -> String {
    if length(text) <= most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(most.saturating_sub(2)).collect();
    let text = format!("{}..", kept.trim_end());
    text.chars().take(most).collect()
}

/// Whether a character is in the default alphabet, line ends and the escape aside.
fn is_basic(c: char) -> bool {
    c.is_ascii_alphanumeric()
        || " !\"#$%&'()*+,-./:;<=>?@_¡£¤¥§¿ÄÅÆÇÉÑÖØÜßàäåæèéìñòöøùüΔΦΓΛΩΠΨΣΘΞ".contains(c)
}

/// The same in characters of the default alphabet alone, each space single.
pub(crate) fn basic(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_basic(c) {
            out.push(c);
        } else if c.is_whitespace() || c.is_control() {
            out.push(' ');
        } else {
            out.push_str(near(c));
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The nearest that the alphabet has; nothing where there is none.
fn near(c: char) -> &'static str {
    match c {
        'À' | 'Á' | 'Â' | 'Ã' | 'Ā' | 'Ă' | 'Ą' | 'Ǎ' => "A",
        'á' | 'â' | 'ã' | 'ā' | 'ă' | 'ą' | 'ǎ' => "a",
        'Ć' | 'Ĉ' | 'Ċ' | 'Č' => "C",
        'ç' | 'ć' | 'ĉ' | 'ċ' | 'č' => "c",
        'Ð' | 'Ď' | 'Đ' => "D",
        'ð' | 'ď' | 'đ' => "d",
        'È' | 'Ê' | 'Ë' | 'Ē' | 'Ĕ' | 'Ė' | 'Ę' | 'Ě' => "E",
        'ê' | 'ë' | 'ē' | 'ĕ' | 'ė' | 'ę' | 'ě' => "e",
        'Ĝ' | 'Ğ' | 'Ġ' | 'Ģ' => "G",
        'ĝ' | 'ğ' | 'ġ' | 'ģ' => "g",
        'Ĥ' | 'Ħ' => "H",
        'ĥ' | 'ħ' => "h",
        'Ì' | 'Í' | 'Î' | 'Ï' | 'Ĩ' | 'Ī' | 'Ĭ' | 'Į' | 'İ' => "I",
        'í' | 'î' | 'ï' | 'ĩ' | 'ī' | 'ĭ' | 'į' | 'ı' => "i",
        'Ĵ' => "J",
        'ĵ' => "j",
        'Ķ' => "K",
        'ķ' => "k",
        'Ĺ' | 'Ļ' | 'Ľ' | 'Ŀ' | 'Ł' => "L",
        'ĺ' | 'ļ' | 'ľ' | 'ŀ' | 'ł' => "l",
        'Ń' | 'Ņ' | 'Ň' => "N",
        'ń' | 'ņ' | 'ň' => "n",
        'Ò' | 'Ó' | 'Ô' | 'Õ' | 'Ō' | 'Ŏ' | 'Ő' => "O",
        'ó' | 'ô' | 'õ' | 'ō' | 'ŏ' | 'ő' => "o",
        'Ŕ' | 'Ŗ' | 'Ř' => "R",
        'ŕ' | 'ŗ' | 'ř' => "r",
        'Ś' | 'Ŝ' | 'Ş' | 'Š' | 'Ș' => "S",
        'ś' | 'ŝ' | 'ş' | 'š' | 'ș' => "s",
        'Ţ' | 'Ť' | 'Ŧ' | 'Ț' => "T",
        'ţ' | 'ť' | 'ŧ' | 'ț' => "t",
        'Ù' | 'Ú' | 'Û' | 'Ũ' | 'Ū' | 'Ŭ' | 'Ů' | 'Ű' | 'Ų' => "U",
        'ú' | 'û' | 'ũ' | 'ū' | 'ŭ' | 'ů' | 'ű' | 'ų' => "u",
        'Ŵ' => "W",
        'ŵ' => "w",
        'Ý' | 'Ŷ' | 'Ÿ' => "Y",
        'ý' | 'ÿ' | 'ŷ' => "y",
        'Ź' | 'Ż' | 'Ž' => "Z",
        'ź' | 'ż' | 'ž' => "z",
        'Œ' => "OE",
        'œ' => "oe",
        'Þ' => "Th",
        'þ' => "th",
        '€' => "EUR",
        '‘' | '’' | '`' | '´' | '′' => "'",
        '“' | '”' | '«' | '»' | '″' => "\"",
        '‐' | '‑' | '‒' | '–' | '—' | '−' | '~' => "-",
        '[' | '{' => "(",
        ']' | '}' => ")",
        '|' | '\\' => "/",
        '›' => ">",
        '‹' => "<",
        '≥' => ">=",
        '≤' => "<=",
        '×' => "x",
        '·' | '•' => ".",
        '…' => "...",
        '±' => "+-",
        _ => "",
    }
}

#[cfg(test)]
mod tests;
