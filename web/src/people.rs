//! People and who is told: the pages of whoever looks after them.

use askama::Template;
use regulator::Timestamp;

use crate::{board::Choice, frame::Frame};

/// One person.
#[derive(Debug, Clone)]
pub struct Person {
    /// Their row.
    pub id: i32,
    /// Their name.
    pub name: String,
    /// Their address.
    pub email: String,
    /// Their role, chosen among all.
    pub roles: Vec<Choice>,
    /// Whether they have chosen a password.
    pub has_password: bool,
    /// When they were disabled.
    pub disabled_at: Option<Timestamp>,
    /// When they were last seen.
    pub seen_at: Option<Timestamp>,
}

/// Everybody.
#[derive(Debug, Template)]
#[template(path = "people.html")]
pub struct PeoplePage {
    /// What surrounds it.
    pub frame: Frame,
    /// Everybody, those who are disabled last.
    pub people: Vec<Person>,
    /// Roles to choose from for a new person, with their meaning.
    pub roles: Vec<Choice>,
    /// The name typed before.
    pub name: String,
    /// The address typed before.
    pub email: String,
    /// Why something was refused.
    pub error: Option<String>,
}

/// A one-time sign-in link, shown once.
#[derive(Debug, Template)]
#[template(path = "new_link.html")]
pub struct NewLinkPage {
    /// What surrounds it.
    pub frame: Frame,
    /// For whom.
    pub name: String,
    /// The whole address.
    pub link: String,
    /// How long it can be used, in words.
    pub life: String,
}

/// One recipient in the list.
#[derive(Debug, Clone)]
pub struct Recipient {
    /// Its row.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// The person whose it is.
    pub person_id: Option<i32>,
    /// Whether it is told of every alarm of its area; a person who is not is told when on call.
    pub standing: bool,
    /// Its ways, in words.
    pub ways: Vec<String>,
    /// Its area, in words.
    pub area: String,
    /// Least priority, in a word.
    pub least: &'static str,
    /// When it was disabled.
    pub disabled_at: Option<Timestamp>,
}

/// The ways in which somebody is reached, as typed; empty where there is none.
#[derive(Debug, Clone, Default)]
pub struct Ways {
    /// E-mail address.
    pub email: String,
    /// Address of the webhook.
    pub webhook_url: String,
    /// E-mail address of a gateway that makes text messages.
    pub text_email: String,
    /// Web address of a gateway that makes text messages.
    pub text_url: String,
    /// The telephone number that it sends them to.
    pub text_number: String,
    /// Whether a webhook secret is stored.
    pub has_secret: bool,
    /// Whether a secret of the gateway is stored.
    pub has_text_secret: bool,
}

/// A secret that was just made, shown once: whose it is and what to do with it, and the secret.
pub type NewSecret = (&'static str, String);

/// What came of a test: way, whether it went out, and what was said.
pub type Tried = (&'static str, bool, String);

/// What is typed of a recipient.
#[derive(Debug, Clone, Default)]
pub struct RecipientForm {
    /// Where it is sent.
    pub action: String,
    /// Its name.
    pub name: String,
    /// Its ways.
    pub ways: Ways,
    /// Areas to choose from.
    pub areas: Vec<Choice>,
    /// Priorities to choose from.
    pub priorities: Vec<Choice>,
    /// Why it was refused.
    pub error: Option<String>,
}

/// Every recipient.
#[derive(Debug, Template)]
#[template(path = "recipients.html")]
pub struct RecipientsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Every recipient, those that are disabled last.
    pub recipients: Vec<Recipient>,
    /// The form for a new one.
    pub form: RecipientForm,
}

impl RecipientsPage {
    /// Whether the viewer may see how other people are reached.
    fn sees_people(&self) -> bool {
        self.frame.viewer.as_ref().is_some_and(|v| v.may_administer)
    }
}

/// One recipient.
#[derive(Debug, Template)]
#[template(path = "recipient.html")]
pub struct RecipientPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Its row.
    pub id: i32,
    /// Whether it is disabled.
    pub disabled: bool,
    /// The form.
    pub form: RecipientForm,
    /// New secrets, shown once.
    pub secrets: Vec<NewSecret>,
    /// Until when the secret before the present one is good, in words.
    pub old_until: Option<String>,
    /// The ways that are stored: name and title.
    pub there: Vec<(&'static str, &'static str)>,
    /// What came of a test.
    pub tried: Vec<Tried>,
}
