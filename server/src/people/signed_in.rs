//! The person who asks, as pages see them.

use std::{
    collections::HashMap,
    sync::Mutex,
    time::{Duration, Instant},
};

use axum::{
    extract::FromRequestParts,
    http::{Method, header, request::Parts},
};
use web::frame::{Frame, Section, Viewer};

use super::Role;
use crate::error::WebError;

/// Extracted by every page but the sign-in: the person who asks. Anyone else is sent to sign in.
#[derive(Debug, Clone)]
pub struct SignedIn {
    /// Their row.
    pub person_id: i32,
    /// Their name.
    pub name: String,
    /// Their address.
    pub email: String,
    /// What they may do.
    pub role: Role,
    /// The token that every form they send must carry, as field `csrf`.
    pub csrf: String,
    /// Whether a one-time link let them in within the last hour, so that they may choose a password without the old one.
    pub by_link: bool,
    /// Digest of the session's secret, for [`super::session::holds`].
    pub session: [u8; 32],
    /// What stands around the pages that they look at.
    pub told: crate::on_call::Told,
}

impl SignedIn {
    /// Goes on only if they have at least this role.
    ///
    /// # Errors
    /// A 403 page that names the role needed.
    pub fn require(&self, role: Role) -> Result<(), WebError> {
        if self.role >= role { Ok(()) } else { Err(WebError::Forbidden { needs: role, has: self.role }) }
    }

    /// What surrounds a page that they look at.
    #[must_use]
    pub fn frame(&self, title: impl Into<String>, section: Section) -> Frame {
        Frame { title: title.into(), section, viewer: Some(self.viewer()), notice: None }
    }

    /// Themselves, as pages show them.
    #[must_use]
    pub fn viewer(&self) -> Viewer {
        Viewer {
            name: self.name.clone(),
            role: self.role.name().to_owned(),
            may_operate: self.role >= Role::Operate,
            may_engineer: self.role >= Role::Engineer,
            may_administer: self.role >= Role::Administer,
            csrf: self.csrf.clone(),
            on_call: (*self.told.on_call).clone(),
            undelivered: self.told.undelivered,
        }
    }
}

/// What is known of who asks; put into every request by the middleware.
#[derive(Debug, Clone)]
pub(crate) enum Identity {
    /// This person.
    Known(Box<SignedIn>),
    /// Nobody: no cookie, or one that is not or no longer good.
    Nobody,
    /// A cookie that cannot be checked, because the database is away.
    Unclear,
}

impl<S: Sync> FromRequestParts<S> for SignedIn {
    type Rejection = WebError;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, WebError> {
        match parts.extensions.get::<Identity>() {
            Some(Identity::Known(signed_in)) => Ok((**signed_in).clone()),
            Some(Identity::Unclear) => Err(WebError::Unavailable),
            Some(Identity::Nobody) | None => Err(to_sign_in(parts)),
        }
    }
}

/// A browser that asks for a page is sent to sign in and then back; a script gets a plain 401.
fn to_sign_in(parts: &Parts) -> WebError {
    let wants_page = parts
        .headers
        .get(header::ACCEPT)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|a| a.contains("text/html"));
    let next = (parts.method == Method::GET)
        .then(|| parts.uri.path_and_query().map(|path| path.as_str().to_owned()))
        .flatten()
        .filter(|next| next != "/");
    if wants_page { WebError::SignInFirst { next } } else { WebError::NotSignedIn }
}

/// Sessions that were good a short while ago, so that the pages which need no database stay readable while it is away.
#[derive(Debug, Default)]
pub(crate) struct Recent {
    sessions: Mutex<HashMap<[u8; 32], (Instant, SignedIn)>>,
}

/// How long a session counts as good without being checked.
const GRACE: Duration = Duration::from_secs(10 * 60);
/// Sessions remembered.
const REMEMBERED: usize = 10_000;

impl Recent {
    /// Notes that a session was good just now.
    pub(crate) fn good(&self, signed_in: &SignedIn, now: Instant) {
        let mut sessions = self.sessions.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if sessions.len() >= REMEMBERED {
            sessions.retain(|_, (seen, _)| now.duration_since(*seen) < GRACE);
        }
        if sessions.len() < REMEMBERED {
            sessions.insert(signed_in.session, (now, signed_in.clone()));
        }
    }

    /// Notes that a session is good no longer.
    pub(crate) fn gone(&self, token_hash: &[u8; 32]) {
        self.sessions.lock().unwrap_or_else(std::sync::PoisonError::into_inner).remove(token_hash);
    }

    /// The session, if it was good within the last ten minutes.
    pub(crate) fn look_up(&self, token_hash: &[u8; 32], now: Instant) -> Option<SignedIn> {
        let sessions = self.sessions.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let (seen, signed_in) = sessions.get(token_hash)?;
        (now.duration_since(*seen) < GRACE).then(|| signed_in.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signed_in(role: Role) -> SignedIn {
        SignedIn {
            person_id: 1,
            name: "Ann".into(),
            email: "ann@example.org".into(),
            role,
            csrf: "token".into(),
            by_link: false,
            session: [7; 32],
            told: crate::on_call::Told::default(),
        }
    }

    #[test]
    fn a_role_opens_what_the_lesser_ones_open_and_no_more() {
        for has in Role::ALL {
            for needs in Role::ALL {
                assert_eq!(signed_in(*has).require(*needs).is_ok(), has >= needs, "{has} {needs}");
            }
        }
    }

    #[test]
    fn a_session_checked_long_ago_is_not_trusted_unchecked() {
        let (recent, start) = (Recent::default(), Instant::now());
        recent.good(&signed_in(Role::View), start);
        assert!(recent.look_up(&[7; 32], start + GRACE / 2).is_some());
        assert!(recent.look_up(&[7; 32], start + GRACE).is_none());
        assert!(recent.look_up(&[8; 32], start).is_none());
        recent.gone(&[7; 32]);
        assert!(recent.look_up(&[7; 32], start).is_none());
    }
}
