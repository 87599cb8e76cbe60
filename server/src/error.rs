//! The one web error: what a handler returns when it cannot answer, and the page that people then see.
//!
//! Handlers use `?` on database errors and name the others themselves. Internal text goes to the log, never to the browser.
//! [`IntoResponse`] leaves the words in the response's extensions; `middleware::errors` draws the page around them, because
//! only there it is known who is looking.

use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Redirect, Response},
};

use crate::people::{PasswordError, Role, admin::PeopleError};

/// What a handler returns when it cannot answer.
#[derive(Debug, thiserror::Error)]
pub enum WebError {
    /// There is no such thing; says what, as "regulator 50017".
    #[error("no such thing: {0}")]
    NotFound(String),
    /// The person's role does not allow it.
    #[error("needs role {needs}, has {has}")]
    Forbidden {
        /// The least role that may.
        needs: Role,
        /// The person's own.
        has: Role,
    },
    /// The request did not come from one of our own pages.
    #[error("request forgery check: {0}")]
    Forged(&'static str),
    /// The request makes no sense; says what is wrong and what to do.
    #[error("bad request: {0}")]
    BadRequest(String),
    /// It is in conflict with how things stand; says what and what to do.
    #[error("conflict: {0}")]
    Conflict(String),
    /// Too many attempts; says so.
    #[error("too many requests")]
    TooMany {
        /// For people.
        what: String,
        /// When to try again, in seconds.
        retry_after_s: u64,
    },
    /// Nobody is signed in and a browser asks for a page.
    #[error("nobody is signed in")]
    SignInFirst {
        /// Where they wanted to go.
        next: Option<String>,
    },
    /// Nobody is signed in and a script asks.
    #[error("nobody is signed in")]
    NotSignedIn,
    /// The database is away, or too busy to answer in time.
    #[error("the database is away")]
    Unavailable,
    /// Our own mistake; the text is for the log.
    #[error("{0:#}")]
    Internal(anyhow::Error),
}

/// What the page about an error says; left in the response for `middleware::errors`.
#[derive(Debug, Clone)]
pub(crate) struct Told {
    /// Heading.
    pub(crate) title: String,
    /// What is wrong and what to do.
    pub(crate) what: String,
}

impl WebError {
    /// Status, heading, and what to do: the one table.
    fn told(&self) -> (StatusCode, &'static str, String) {
        match self {
            Self::NotFound(what) => (
                StatusCode::NOT_FOUND,
                "Not here",
                format!("There is no {what}. It may have been removed, or the address mistyped; start again from the board."),
            ),
            Self::Forbidden { needs, has } => (
                StatusCode::FORBIDDEN,
                "Not with your role",
                format!("This needs the role {needs}; yours is {has}. An administrator can change it on the page People."),
            ),
            Self::Forged(_) => (
                StatusCode::FORBIDDEN,
                "Not accepted",
                "This request did not come from a current page of this server, so nothing was changed. If you sent it \
                 yourself, go back, reload the page and send it again."
                    .to_owned(),
            ),
            Self::BadRequest(what) => (StatusCode::BAD_REQUEST, "That could not be understood", what.clone()),
            Self::Conflict(what) => (StatusCode::CONFLICT, "That is not possible now", what.clone()),
            Self::TooMany { what, .. } => (StatusCode::TOO_MANY_REQUESTS, "Too many attempts", what.clone()),
            Self::SignInFirst { .. } | Self::NotSignedIn => {
                (StatusCode::UNAUTHORIZED, "Sign in first", "Your session has ended. Sign in and try again.".to_owned())
            }
            Self::Unavailable => (
                StatusCode::SERVICE_UNAVAILABLE,
                "The database does not answer",
                "Pages that need it cannot be shown until it is back; nothing you sent was stored. Try again in a moment. If \
                 this lasts, tell the person who runs the server."
                    .to_owned(),
            ),
            Self::Internal(_) => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something went wrong here",
                "The fault is the server's and has been logged. Try again; if it stays, give the person who runs the server \
                 the number below."
                    .to_owned(),
            ),
        }
    }
}

impl IntoResponse for WebError {
    fn into_response(self) -> Response {
        if let Self::SignInFirst { next } = &self {
            return Redirect::to(&sign_in_address(next.as_deref())).into_response();
        }
        match &self {
            // The alternate form prints the chain of causes.
            Self::Internal(error) => tracing::error!("a page failed: {error:#}"),
            Self::Unavailable => tracing::warn!("a page could not be shown: the database is away"),
            Self::Forged(why) => tracing::warn!(why, "a request was refused as forged"),
            _ => {}
        }
        let (status, title, what) = self.told();
        let told = Told { title: title.to_owned(), what };
        let mut response = (status, format!("{}\n{}\n", told.title, told.what)).into_response();
        if let Self::TooMany { retry_after_s, .. } = self {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(retry_after_s));
        }
        response.extensions_mut().insert(told);
        response
    }
}

fn sign_in_address(next: Option<&str>) -> String {
    next.map_or_else(
        || "/sign-in".to_owned(),
        |next| format!("/sign-in?{}", serde_urlencoded::to_string([("next", next)]).unwrap_or_default()),
    )
}

impl From<sqlx::Error> for WebError {
    fn from(error: sqlx::Error) -> Self {
        if is_away(&error) {
            tracing::warn!(%error, "the database is away");
            Self::Unavailable
        } else {
            Self::Internal(anyhow::Error::new(error).context("the database refused a query"))
        }
    }
}

/// Whether the database cannot be reached, rather than refusing one query.
pub(crate) fn is_away(error: &sqlx::Error) -> bool {
    match error {
        sqlx::Error::Io(_)
        | sqlx::Error::Tls(_)
        | sqlx::Error::PoolTimedOut
        | sqlx::Error::PoolClosed
        | sqlx::Error::WorkerCrashed => true,
        // 08: connection exceptions; 57P: operator intervention; 53300: too many connections (PostgreSQL, appendix A).
        sqlx::Error::Database(error) => error.code().is_some_and(|code| {
            code.starts_with("08") || code.starts_with("57P") || code.as_ref() == "53300"
        }),
        _ => false,
    }
}

impl From<PeopleError> for WebError {
    fn from(error: PeopleError) -> Self {
        match error {
            PeopleError::Database(error) => error.into(),
            PeopleError::LastAdministrator(_) | PeopleError::Taken(_) | PeopleError::Disabled(_) => {
                Self::Conflict(sentence(&error))
            }
            PeopleError::Unknown(_) | PeopleError::NotAnAddress(_) | PeopleError::NoName => {
                Self::BadRequest(sentence(&error))
            }
        }
    }
}

impl From<PasswordError> for WebError {
    fn from(error: PasswordError) -> Self {
        match error {
            PasswordError::Busy => Self::TooMany { what: sentence(&error), retry_after_s: 5 },
            PasswordError::Unfit(what) => Self::BadRequest(what.to_owned()),
            PasswordError::Failed(_) => Self::Internal(error.into()),
        }
    }
}

impl From<askama::Error> for WebError {
    fn from(error: askama::Error) -> Self {
        Self::Internal(anyhow::Error::new(error).context("drawing a page"))
    }
}

/// An error's text as a sentence on a page.
pub(crate) fn sentence(error: &impl std::fmt::Display) -> String {
    let text = error.to_string();
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn internal_text_stays_inside() {
        let error = WebError::Internal(anyhow::anyhow!("relation \"secret_table\" does not exist"));
        let (_, title, what) = error.told();
        assert!(!format!("{title}{what}").contains("secret_table"));
    }

    #[test]
    fn a_lost_database_is_told_from_a_refused_query() {
        assert!(matches!(sqlx::Error::PoolTimedOut.into(), WebError::Unavailable));
        assert!(matches!(sqlx::Error::RowNotFound.into(), WebError::Internal(_)));
    }

    #[test]
    fn the_way_back_is_kept_through_sign_in() {
        let response = WebError::SignInFirst { next: Some("/alarms?state=open&x=1".into()) }.into_response();
        assert_eq!(response.headers()[header::LOCATION], "/sign-in?next=%2Falarms%3Fstate%3Dopen%26x%3D1");
    }
}
