//! One e-mail as its bytes: headers that nobody's name can break, a text for phones, a little HTML.

use std::time::SystemTime;

use lettre::{
    Address,
    address::Envelope,
    message::{
        Mailbox, Message, MultiPart, SinglePart,
        header::{HeaderName, HeaderValue},
    },
};

use crate::notification::{failure::Failure, notice::MessageKey};

/// Longest subject; phones show far less, and RFC 5322 wants lines below 998 characters.
const LONGEST_SUBJECT: usize = 200;

/// A message ready for the mail server. The same notification always gives the same bytes.
#[derive(Debug, Clone)]
pub(crate) struct Letter {
    pub(crate) envelope: Envelope,
    pub(crate) bytes: Vec<u8>,
    pub(crate) message_id: String,
}

/// What a letter says.
#[derive(Debug)]
pub(crate) struct Words {
    /// None, when empty, for gateways that would put it before the text.
    pub(crate) subject: String,
    pub(crate) text: String,
    pub(crate) html: Option<String>,
}

/// The conversation that a letter belongs to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Thread {
    /// Names the conversation; no letter bears it, so that it does not matter which came first.
    pub(crate) root: String,
    /// The letter before this one.
    pub(crate) previous: Option<MessageKey>,
}

impl Letter {
    /// Puts the words into an envelope.
    ///
    /// # Errors
    /// [`Failure::Permanent`] when `address` is no e-mail address.
    pub(crate) fn new(
        from: &Mailbox,
        name: &str,
        address: &str,
        words: Words,
        key: MessageKey,
        thread: Option<&Thread>,
    ) -> Result<Self, Failure> {
        let address: Address = address.trim().parse().map_err(|e| {
            Failure::permanent(format!("{} is not an e-mail address: {e}", one_line(address)))
        })?;
        let id_of = |name: &str| format!("<{name}@{}>", from.email.domain());
        let message_id = id_of(&key.name());
        let mut builder = Message::builder()
            .from(from.clone())
            .to(Mailbox::new(Some(one_line(name)).filter(|n| !n.is_empty()), address));
        if !words.subject.is_empty() {
            builder = builder.subject(shorten(&one_line(&words.subject)));
        }
        builder = builder
            .date(SystemTime::from(key.created_at))
            .message_id(Some(message_id.clone()))
            // RFC 3834: keeps holiday answers from coming back
            .raw_header(HeaderValue::new(
                HeaderName::new_from_ascii_str("Auto-Submitted"),
                "auto-generated".to_owned(),
            ));
        if let Some(thread) = thread {
            let previous = thread.previous.map(|key| id_of(&key.name()));
            let all: Vec<_> = [id_of(&thread.root)].into_iter().chain(previous.clone()).collect();
            builder = builder.references(all.join(" "));
            if let Some(previous) = previous {
                builder = builder.in_reply_to(previous);
            }
        }
        let message = match words.html {
            None => builder.singlepart(SinglePart::plain(words.text)),
            Some(html) => builder.multipart(
                MultiPart::alternative()
                    .boundary(format!("part-{}", key.name()))
                    .singlepart(SinglePart::plain(words.text))
                    .singlepart(SinglePart::html(html)),
            ),
        }
        .map_err(|e| Failure::permanent(format!("the message could not be put together: {e}")))?;
        Ok(Self { envelope: message.envelope().clone(), bytes: message.formatted(), message_id })
    }
}

/// Text for a header: whatever would end a line or hide in one becomes a space.
fn one_line(text: &str) -> String {
    let plain: String =
        text.chars().map(|c| if c.is_control() || is_line_break(c) { ' ' } else { c }).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn is_line_break(c: char) -> bool {
    matches!(c, '\u{2028}' | '\u{2029}')
}

fn shorten(subject: &str) -> String {
    if subject.chars().count() <= LONGEST_SUBJECT {
        return subject.to_owned();
    }
    subject.chars().take(LONGEST_SUBJECT - 3).chain("...".chars()).collect()
}
