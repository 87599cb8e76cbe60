//! How a person is reached when on call: their ways, quiet hours and calendar. Each person's own; an administrator's to see and mend.

mod draw;
mod form;
mod store;
#[cfg(test)]
mod tests;

use axum::{
    Form, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use chrono::Utc;
use sqlx::PgConnection;
use web::reach::ReachPage;

use super::{
    html,
    notice::Done,
    recipients::{Asked, NewSecrets, renew_secret, try_ways},
    rotas::Fields,
};
use crate::{
    app::App,
    error::WebError,
    notification,
    people::{Role, SignedIn, Token},
};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/reach", get(show_own))
        .route("/reach/{id}", get(show_one).post(save))
        .route("/reach/{id}/test", post(test))
        .route("/reach/{id}/secret", post(new_secret))
        .route("/reach/{id}/calendar", post(new_calendar))
}

async fn show_own(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let id = signed_in.person_id.to_string();
    show_one(signed_in, State(app), Path(id), Query(done)).await
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let person = allowed(&mut db, &signed_in, &id).await?;
    let mut page = draw::page(&mut db, &signed_in, &person, Utc::now()).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

/// The person of an address, if it is the viewer or the viewer may manage people.
async fn allowed(db: &mut PgConnection, signed_in: &SignedIn, id: &str) -> Result<store::Person, WebError> {
    let number = id.parse().ok();
    if number != Some(signed_in.person_id) {
        signed_in.require(Role::Administer)?;
    }
    let nobody = || WebError::NotFound(format!("person {id}"));
    store::person(db, number.ok_or_else(nobody)?).await?.ok_or_else(nobody)
}

async fn save(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let person = allowed(&mut db, &signed_in, &id).await?;
    let wanted = match form::understood(&mut db, &fields).await? {
        Ok(wanted) => wanted,
        Err(why) => {
            let mut page = draw::page(&mut db, &signed_in, &person, Utc::now()).await?;
            form::retype(&mut page, &fields);
            page.error = Some(why);
            return Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response());
        }
    };
    let before = store::find(&mut db, person.id).await?;
    let before = before.map(|stored| stored.ways.clone()).unwrap_or_default();
    let secrets = NewSecrets::for_new(&before, &wanted.ways);
    store::save(&mut db, &person, &wanted, &secrets).await?;
    let secrets = secrets.shown();
    if secrets.is_empty() {
        return Ok(Redirect::to(&format!("{}?done=changed", address(&signed_in, &person))).into_response());
    }
    let mut page = draw::page(&mut db, &signed_in, &person, Utc::now()).await?;
    page.frame.notice = Some("Changed.".to_owned());
    page.secrets = secrets;
    Ok(html(&page)?.into_response())
}

/// The page of a person, by its plain address where it is one's own.
fn address(signed_in: &SignedIn, person: &store::Person) -> String {
    if person.id == signed_in.person_id { "/reach".to_owned() } else { format!("/reach/{}", person.id) }
}

/// The page of a person for whom something is stored.
async fn stored_page(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    id: &str,
) -> Result<(i32, ReachPage), WebError> {
    let person = allowed(db, signed_in, id).await?;
    let stored = store::find(db, person.id).await?;
    let recipient =
        stored.ok_or_else(|| WebError::Conflict("Nothing is stored yet; save a way first.".to_owned()))?;
    Ok((recipient.id, draw::page(db, signed_in, &person, Utc::now()).await?))
}

async fn test(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(asked): Form<Asked>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let (recipient, mut page) = stored_page(&mut db, &signed_in, &id).await?;
    page.tried = try_ways(&mut db, &app, recipient, &asked.way).await?;
    Ok(html(&page)?.into_response())
}

async fn new_secret(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let (recipient, page) = stored_page(&mut db, &signed_in, &id).await?;
    if page.ways.webhook_url.is_empty() {
        return Err(WebError::Conflict("There is no webhook; save its address first.".to_owned()));
    }
    let secret = notification::new_secret();
    renew_secret(&mut db, recipient, &secret, Utc::now()).await?;
    let (_, mut page) = stored_page(&mut db, &signed_in, &id).await?;
    page.secrets = NewSecrets { webhook: Some(secret), text: None }.shown();
    Ok(html(&page)?.into_response())
}

/// Shows the address in the answer itself, so that it stands in no other address, log or history.
async fn new_calendar(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let person = allowed(&mut db, &signed_in, &id).await?;
    let token = Token::random();
    store::set_calendar(&mut db, &person, &token.digest()).await?;
    let mut page = draw::page(&mut db, &signed_in, &person, Utc::now()).await?;
    page.calendar.address = Some(format!("{}/calendar/{}.ics", app.config.public_url, token.reveal()));
    Ok(html(&page)?.into_response())
}
