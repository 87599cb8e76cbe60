//! Signing in by password or by one-time link, signing out, choosing a password.

use std::{
    net::{IpAddr, SocketAddr},
    time::Instant,
};

use axum::{
    Form, Router,
    extract::{ConnectInfo, FromRequestParts, Path, Query, State},
    http::{HeaderMap, StatusCode, request::Parts},
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use serde::Deserialize;
use sqlx::{Acquire, PgConnection};
use web::{
    frame::{Frame, Section},
    sign_in::{PasswordPage, SignInLinkPage, SignInPage},
};

use super::html;
use crate::{
    app::App,
    error::{WebError, sentence},
    people::{PasswordError, SignedIn, cookie, link, session},
};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/sign-in", get(show).post(sign_in))
        .route("/sign-in/link/{secret}", get(show_link).post(use_link))
        .route("/sign-out", post(sign_out))
        .route("/password", get(show_password).post(choose_password))
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Typed {
    email: String,
    password: String,
    next: String,
}

async fn show(Query(typed): Query<Typed>) -> Result<Response, WebError> {
    sign_in_page(StatusCode::OK, Typed { email: String::new(), ..typed }, None)
}

fn sign_in_page(status: StatusCode, typed: Typed, error: Option<String>) -> Result<Response, WebError> {
    let page = SignInPage { frame: nobodys("Sign in"), email: typed.email, next: typed.next, error };
    Ok((status, html(&page)?).into_response())
}

fn nobodys(title: &str) -> Frame {
    Frame { title: title.to_owned(), section: Section::None, viewer: None, notice: None }
}

/// The answer to a wrong password is the same, and costs the same, as to an address that nobody has.
async fn sign_in(
    State(app): State<App>,
    Source(source): Source,
    headers: HeaderMap,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    if let Err(refused) = app.gate.limiter.attempt(&typed.email, source, Instant::now()) {
        return too_many(typed, refused.wait.as_secs());
    }
    let mut db = app.pool.acquire().await?;
    let person = password_of(&mut db, &typed.email).await?;
    // Not kept from others while the hash is computed.
    drop(db);
    let stored = person.as_ref().and_then(|(_, stored)| stored.as_deref());
    let matches = app.gate.passwords.verify(&typed.password, stored).await?;
    let (Some((person_id, _)), true) = (person, matches) else {
        let wrong = "This e-mail and password do not belong together. Check both; an administrator can make you a one-time \
                     sign-in link.";
        return sign_in_page(StatusCode::UNAUTHORIZED, typed, Some(wrong.to_owned()));
    };
    app.gate.limiter.succeeded(&typed.email);
    let mut tx = app.pool.begin().await?;
    let response = start_session(&app, &mut tx, &headers, person_id, false, safe_next(&typed.next)).await?;
    tx.commit().await?;
    Ok(response)
}

fn too_many(typed: Typed, wait_s: u64) -> Result<Response, WebError> {
    let minutes = wait_s.div_ceil(60).max(1);
    let what = format!(
        "Too many attempts to sign in. Wait {minutes} min and try again, or ask an administrator for a one-time sign-in link."
    );
    let mut response = sign_in_page(StatusCode::TOO_MANY_REQUESTS, typed, Some(what))?;
    response.headers_mut().insert(axum::http::header::RETRY_AFTER, wait_s.into());
    Ok(response)
}

/// Row and password hash of an enabled person.
async fn password_of(db: &mut PgConnection, email: &str) -> sqlx::Result<Option<(i32, Option<String>)>> {
    let row = sqlx::query!(
        "select id, password_hash from person where lower(email) = lower($1) and disabled_at is null",
        email.trim(),
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| (row.id, row.password_hash)))
}

async fn start_session(
    app: &App,
    db: &mut PgConnection,
    headers: &HeaderMap,
    person_id: i32,
    by_link: bool,
    next: &str,
) -> Result<Response, WebError> {
    let before = cookie::secret(headers, &app.config.public_url);
    let session = session::start(db, person_id, by_link, before.as_deref()).await?;
    let mut response = Redirect::to(next).into_response();
    cookie::put(&mut response, cookie::set(&session, &app.config.public_url));
    Ok(response)
}

/// A path of our own, or the board: what stands in an address must not lead to another site.
fn safe_next(next: &str) -> &str {
    let own = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains('\\')
        && !next.chars().any(|c| c.is_control() || c.is_whitespace());
    if own && next.is_ascii() { next } else { "/" }
}

async fn show_link(State(app): State<App>, Path(secret): Path<String>) -> Result<Response, WebError> {
    let usable = link::usable(&mut *app.pool.acquire().await?, &secret).await?;
    link_page(usable)
}

fn link_page(usable: bool) -> Result<Response, WebError> {
    let status = if usable { StatusCode::OK } else { StatusCode::GONE };
    let page = SignInLinkPage { frame: nobodys("Sign in by link"), usable };
    Ok((status, html(&page)?).into_response())
}

async fn use_link(
    State(app): State<App>,
    Path(secret): Path<String>,
    headers: HeaderMap,
) -> Result<Response, WebError> {
    let mut tx = app.pool.begin().await?;
    let Some(person_id) = link::redeem(&mut tx, &secret).await? else { return link_page(false) };
    let response = start_session(&app, &mut tx, &headers, person_id, true, "/password").await?;
    tx.commit().await?;
    Ok(response)
}

async fn sign_out(
    State(app): State<App>,
    signed_in: SignedIn,
    headers: HeaderMap,
) -> Result<Response, WebError> {
    if let Some(secret) = cookie::secret(&headers, &app.config.public_url) {
        session::end(&mut *app.pool.acquire().await?, &secret).await?;
    }
    app.gate.recent.gone(&signed_in.session);
    let mut response = Redirect::to("/sign-in").into_response();
    cookie::put(&mut response, cookie::clear(&app.config.public_url));
    Ok(response)
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Passwords {
    present: String,
    password: String,
    again: String,
}

async fn show_password(State(app): State<App>, signed_in: SignedIn) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let asks_present = present_password(&mut db, &signed_in).await?.is_some();
    password_page(&signed_in, asks_present, None)
}

fn password_page(
    signed_in: &SignedIn,
    asks_present: bool,
    error: Option<&str>,
) -> Result<Response, WebError> {
    let status = if error.is_some() { StatusCode::BAD_REQUEST } else { StatusCode::OK };
    let page = PasswordPage {
        frame: signed_in.frame("Choose a password", Section::None),
        email: signed_in.email.clone(),
        csrf: signed_in.csrf.clone(),
        asks_present,
        error: error.map(str::to_owned),
    };
    Ok((status, html(&page)?).into_response())
}

/// The present password's hash, where it must be given: not by who came in by a link, nor before there is one.
async fn present_password(db: &mut PgConnection, signed_in: &SignedIn) -> sqlx::Result<Option<String>> {
    if signed_in.by_link {
        return Ok(None);
    }
    sqlx::query_scalar!("select password_hash from person where id = $1", signed_in.person_id)
        .fetch_one(db)
        .await
}

async fn choose_password(
    State(app): State<App>,
    signed_in: SignedIn,
    headers: HeaderMap,
    Form(typed): Form<Passwords>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let present = present_password(&mut db, &signed_in).await?;
    drop(db);
    let refuse = |why: &str| password_page(&signed_in, present.is_some(), Some(why));
    if let Some(present) = &present {
        if let Err(refused) = app.gate.limiter.attempt(&signed_in.email, None, Instant::now()) {
            return refuse(&format!(
                "Too many attempts. Wait {} min and try again.",
                refused.wait.as_secs().div_ceil(60)
            ));
        }
        if !app.gate.passwords.verify(&typed.present, Some(present)).await? {
            return refuse("The present password is not right.");
        }
    }
    if typed.password != typed.again {
        return refuse("The two new passwords differ; type the same one twice.");
    }
    let hash = match app.gate.passwords.hash(&typed.password).await {
        Ok(hash) => hash,
        Err(PasswordError::Unfit(why)) => return refuse(why),
        Err(error @ PasswordError::Busy) => return refuse(&sentence(&error)),
        Err(error) => return Err(error.into()),
    };
    let mut db = app.pool.acquire().await?;
    let mut tx = db.begin().await?;
    sqlx::query!("update person set password_hash = $2 where id = $1", signed_in.person_id, hash)
        .execute(&mut *tx)
        .await?;
    // Whoever knew the old one is out.
    session::end_all(&mut tx, signed_in.person_id).await?;
    let response = start_session(&app, &mut tx, &headers, signed_in.person_id, false, "/").await?;
    tx.commit().await?;
    app.gate.recent.gone(&signed_in.session);
    Ok(response)
}

/// Where a request comes from, when it came over a socket.
pub(super) struct Source(pub(super) Option<IpAddr>);

impl<S: Sync> FromRequestParts<S> for Source {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Self::Rejection> {
        Ok(Self(parts.extensions.get::<ConnectInfo<SocketAddr>>().map(|info| info.0.ip())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_onward_stays_on_this_site() {
        for own in ["/", "/alarms?state=open", "/sites/20001#trend"] {
            assert_eq!(safe_next(own), own);
        }
        for other in
            ["", "//evil.example", "/\\evil.example", "https://evil.example", "javascript:x", "/a\r\nb"]
        {
            assert_eq!(safe_next(other), "/", "{other:?}");
        }
    }
}
