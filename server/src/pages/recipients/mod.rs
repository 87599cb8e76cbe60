//! Recipients: who is told of alarms, and by which way.

mod areas;
mod form;
mod store;
#[cfg(test)]
mod tests;
mod ways;

use axum::{
    Form, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use sqlx::PgConnection;
use web::{
    frame::Section,
    people::{RecipientForm, RecipientPage, RecipientsPage},
};

use self::{form::Typed, ways::Secrets};
use super::{html, notice::Done};
use crate::{
    app::App,
    error::WebError,
    notification,
    people::{Role, SignedIn},
};

pub(super) use areas::{Area, areas, value};
pub(super) use form::{Told, area_choices, priority_choices, told};
pub(super) use store::renew_secret;
pub(super) use ways::{Secrets as NewSecrets, TypedWays, Ways, try_ways};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/recipients", get(show_all).post(add))
        .route("/recipients/{id}", get(show_one).post(change))
        .route("/recipients/{id}/disable", post(disable))
        .route("/recipients/{id}/enable", post(enable))
        .route("/recipients/{id}/secret", post(new_secret))
        .route("/recipients/{id}/test", post(test))
}

async fn show_all(signed_in: SignedIn, State(app): State<App>) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    let form = form::blank(&mut db).await?;
    list_page(&mut db, &signed_in, StatusCode::OK, form).await
}

async fn list_page(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    status: StatusCode,
    form: RecipientForm,
) -> Result<Response, WebError> {
    let frame = signed_in.frame("Recipients", Section::Recipients);
    let page = RecipientsPage { frame, recipients: store::list(db).await?, form };
    Ok((status, html(&page)?).into_response())
}

async fn add(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    let wanted = match form::understood(&mut db, &typed).await? {
        Ok(wanted) => wanted,
        Err(why) => {
            let form =
                form::again(&mut db, typed, "/recipients".to_owned(), (false, false), Some(why)).await?;
            return list_page(&mut db, &signed_in, StatusCode::BAD_REQUEST, form).await;
        }
    };
    let secrets = Secrets::for_new(&Default::default(), &wanted.ways);
    let id = store::add(&mut db, &wanted, &secrets).await?;
    let secrets = secrets.shown();
    if secrets.is_empty() {
        return Ok(Redirect::to(&format!("/recipients/{id}?done=added")).into_response());
    }
    let mut page = one_page(&mut db, &signed_in, id).await?;
    page.frame.notice = Some("Added.".to_owned());
    page.secrets = secrets;
    Ok(html(&page)?.into_response())
}

fn number(text: &str) -> Result<i32, WebError> {
    text.parse().map_err(|_| WebError::NotFound(format!("recipient {text}")))
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut page = one_page(&mut *app.pool.acquire().await?, &signed_in, number(&id)?).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn one_page(db: &mut PgConnection, signed_in: &SignedIn, id: i32) -> Result<RecipientPage, WebError> {
    let stored = store::find(db, id).await?.ok_or_else(|| WebError::NotFound(format!("recipient {id}")))?;
    let (disabled, secrets) = (stored.disabled, (stored.has_secret, stored.has_text_secret));
    let old_until = stored.old_until.map(|at| at.format("%Y-%m-%d %H:%M UTC").to_string());
    let typed = stored.typed();
    let there = typed.ways.there();
    let form = form::again(db, typed, format!("/recipients/{id}"), secrets, None).await?;
    Ok(RecipientPage {
        frame: signed_in.frame(form.name.clone(), Section::Recipients),
        id,
        disabled,
        form,
        secrets: Vec::new(),
        old_until,
        there,
        tried: Vec::new(),
    })
}

async fn change(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    let mut page = one_page(&mut db, &signed_in, id).await?;
    let wanted = match form::understood(&mut db, &typed).await? {
        Ok(wanted) => wanted,
        Err(why) => {
            let secrets = (page.form.ways.has_secret, page.form.ways.has_text_secret);
            page.form = form::again(&mut db, typed, format!("/recipients/{id}"), secrets, Some(why)).await?;
            return Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response());
        }
    };
    let before = store::find(&mut db, id).await?.map(store::Stored::typed).unwrap_or_default();
    let secrets = Secrets::for_new(&before.ways, &wanted.ways);
    store::change(&mut db, id, &wanted, &secrets).await?;
    let secrets = secrets.shown();
    if secrets.is_empty() {
        return Ok(Redirect::to(&format!("/recipients/{id}?done=changed")).into_response());
    }
    let mut page = one_page(&mut db, &signed_in, id).await?;
    page.secrets = secrets;
    Ok(html(&page)?.into_response())
}

async fn disable(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    set_disabled(&signed_in, &app, &id, true).await
}

async fn enable(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    set_disabled(&signed_in, &app, &id, false).await
}

async fn set_disabled(signed_in: &SignedIn, app: &App, id: &str, yes: bool) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let id = number(id)?;
    if !store::set_disabled(&mut *app.pool.acquire().await?, id, yes).await? {
        return Err(WebError::NotFound(format!("recipient {id}")));
    }
    let done = if yes { "disabled" } else { "enabled" };
    Ok(Redirect::to(&format!("/recipients/{id}?done={done}")).into_response())
}

async fn new_secret(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    let mut page = one_page(&mut db, &signed_in, id).await?;
    if page.form.ways.webhook_url.is_empty() {
        return Err(WebError::Conflict(
            "This recipient has no webhook; give it an address first.".to_owned(),
        ));
    }
    let secret = notification::new_secret();
    renew_secret(&mut db, id, &secret, chrono::Utc::now()).await?;
    page = one_page(&mut db, &signed_in, id).await?;
    page.secrets = Secrets { webhook: Some(secret), text: None }.shown();
    Ok(html(&page)?.into_response())
}

/// By which way a test is to go; empty for every way.
#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
pub(super) struct Asked {
    pub(super) way: String,
}

async fn test(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(asked): Form<Asked>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    let mut page = one_page(&mut db, &signed_in, number(&id)?).await?;
    page.tried = try_ways(&mut db, &app, page.id, &asked.way).await?;
    Ok(html(&page)?.into_response())
}
