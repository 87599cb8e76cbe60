//! The ways by which a message reaches someone.

/// How a message reaches someone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Way {
    /// By SMTP.
    Email,
    /// By an HTTP POST to a program.
    Webhook,
    /// A text message, by SMTP through a gateway that takes e-mail.
    TextByEmail,
    /// A text message, by an HTTP POST to a gateway.
    TextByHttp,
}

impl Way {
    /// Every way.
    pub const ALL: [Self; 4] = [Self::Email, Self::Webhook, Self::TextByEmail, Self::TextByHttp];

    /// Its name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Email => "email",
            Self::Webhook => "webhook",
            Self::TextByEmail => "text_email",
            Self::TextByHttp => "text_http",
        }
    }

    /// Its name for people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Email => "e-mail",
            Self::Webhook => "webhook",
            Self::TextByEmail => "text by e-mail",
            Self::TextByHttp => "text message",
        }
    }

    /// The one of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|way| way.name() == name)
    }

    /// Whether it needs the mail server.
    #[must_use]
    pub const fn is_mail(self) -> bool {
        matches!(self, Self::Email | Self::TextByEmail)
    }
}
