//! The word about what was just done, on the page that a form leads to. The address carries a key, never the text, so that
//! nobody can make our page say what they like.

use serde::Deserialize;

/// `?done=KEY` of an address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Done {
    #[serde(default)]
    done: String,
}

const TEXTS: &[(&str, &str)] = &[
    ("acknowledged", "Acknowledged."),
    ("already", "Someone had acknowledged it already; nothing was changed."),
    ("several", "What was ticked is acknowledged."),
    ("shelved", "Shelved. It comes back by itself."),
    ("unshelved", "Taken off the shelf."),
    ("taken-out", "Taken out of service, until someone puts it back."),
    ("put-back", "Put back into service."),
    ("unchanged", "Nothing was changed: it was so already."),
    ("noted", "Written down."),
    ("planned", "The window is planned."),
    ("ended", "The window is over; what still stands is announced now."),
    ("handed-over", "Handed over. The next handover begins here."),
    ("set", "The value is in force for readings from now on."),
    ("cleared", "The value of the wider scope is in force again."),
    ("added", "Added."),
    ("changed", "Changed."),
    ("disabled", "Disabled."),
    ("enabled", "Enabled."),
    ("removed", "Taken away."),
    ("retried", "It will be tried again within seconds."),
    ("dismissed", "Put aside."),
    (
        "skipped",
        "Changed. One of the local times does not exist, because the clocks go forward over it; it is read as so much later. The tables show what holds.",
    ),
    (
        "twice",
        "Changed. One of the local times comes twice, because the clocks go back; the first is meant. The tables show what holds.",
    ),
];

impl Done {
    /// What to say.
    pub(super) fn notice(&self) -> Option<String> {
        TEXTS.iter().find(|(key, _)| *key == self.done).map(|(_, text)| (*text).to_owned())
    }
}
