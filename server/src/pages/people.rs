//! Managing people.

use axum::{
    Form, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::post,
};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    board::Choice,
    frame::Section,
    people::{NewLinkPage, PeoplePage, Person},
};

use super::{html, notice::Done};
use crate::{
    app::App,
    error::{WebError, sentence},
    people::{
        Role, SignedIn,
        admin::{self, PeopleError},
        link,
    },
};

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/people", axum::routing::get(show).post(add))
        .route("/people/{id}/role", post(set_role))
        .route("/people/{id}/disable", post(disable))
        .route("/people/{id}/enable", post(enable))
        .route("/people/{id}/link", post(make_link))
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Typed {
    name: String,
    email: String,
    role: String,
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let mut page = page(&mut *app.pool.acquire().await?, &signed_in, Typed::default()).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn page(db: &mut PgConnection, signed_in: &SignedIn, typed: Typed) -> Result<PeoplePage, WebError> {
    let person = |p: admin::Person| Person {
        id: p.id,
        name: p.name,
        email: p.email,
        roles: roles(p.role.name()),
        has_password: p.has_password,
        disabled_at: p.disabled_at,
        seen_at: p.seen_at,
    };
    Ok(PeoplePage {
        frame: signed_in.frame("People", Section::People),
        people: admin::list(db).await?.into_iter().map(person).collect(),
        roles: roles(&typed.role),
        name: typed.name,
        email: typed.email,
        error: None,
    })
}

fn roles(chosen: &str) -> Vec<Choice> {
    let choice = |role: &Role| Choice {
        value: role.name().to_owned(),
        title: format!("{role}: {}", role.meaning()),
        chosen: role.name() == chosen,
    };
    Role::ALL.iter().map(choice).collect()
}

/// The page again with what was typed, for mistakes; other failures go on.
async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    typed: Typed,
    error: PeopleError,
) -> Result<Response, WebError> {
    if matches!(error, PeopleError::Database(_)) {
        return Err(error.into());
    }
    let page = PeoplePage { error: Some(sentence(&error)), ..page(db, signed_in, typed).await? };
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}

fn done(key: &str) -> Response {
    Redirect::to(&format!("/people?done={key}")).into_response()
}

async fn add(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let role = role(&typed.role)?;
    let mut db = app.pool.acquire().await?;
    match admin::create(&mut db, &typed.email, &typed.name, role).await {
        Ok(_) => Ok(done("added")),
        Err(error) => refused(&mut db, &signed_in, typed, error).await,
    }
}

fn role(word: &str) -> Result<Role, WebError> {
    word.parse().map_err(|unknown| WebError::BadRequest(sentence(&unknown)))
}

/// Name and address of the person whom a path names.
async fn named(db: &mut PgConnection, id: &str) -> Result<(String, String), WebError> {
    let nobody = || WebError::NotFound(format!("person {id}"));
    let number: i32 = id.parse().map_err(|_| nobody())?;
    let row = sqlx::query!("select name, email from person where id = $1", number).fetch_optional(db).await?;
    row.map(|row| (row.name, row.email)).ok_or_else(nobody)
}

async fn set_role(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let role = role(&typed.role)?;
    let mut db = app.pool.acquire().await?;
    let (_, email) = named(&mut db, &id).await?;
    match admin::set_role(&mut db, &email, role).await {
        Ok(()) => Ok(done("changed")),
        Err(error) => refused(&mut db, &signed_in, Typed::default(), error).await,
    }
}

async fn disable(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let mut db = app.pool.acquire().await?;
    let (_, email) = named(&mut db, &id).await?;
    match admin::disable(&mut db, &email).await {
        Ok(()) => Ok(done("disabled")),
        Err(error) => refused(&mut db, &signed_in, Typed::default(), error).await,
    }
}

async fn enable(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let mut db = app.pool.acquire().await?;
    let (_, email) = named(&mut db, &id).await?;
    admin::enable(&mut db, &email).await?;
    Ok(done("enabled"))
}

/// Shows the link in the answer itself, so that it stands in no address, log or history.
async fn make_link(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Administer)?;
    let mut db = app.pool.acquire().await?;
    let (name, email) = named(&mut db, &id).await?;
    let path = admin::sign_in_link(&mut db, &email, link::LIFE).await?;
    let page = NewLinkPage {
        frame: signed_in.frame(format!("Sign-in link for {name}"), Section::People),
        name,
        link: format!("{}{path}", app.config.public_url),
        life: format!("{} min", link::LIFE.as_secs() / 60),
    };
    Ok(html(&page)?.into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::{Browser, TestApp};

    use super::*;

    #[tokio::test]
    async fn a_person_is_added_given_a_link_and_signs_in() {
        let test = TestApp::new().await;
        let browser = test.browser(Role::Administer).await;
        let fields = [("name", "Ann"), ("email", "ann@example.org"), ("role", "operate")];
        assert_eq!(test.post(&browser, "/people", &fields).await.location(), "/people?done=added");
        let page = test.get(&browser, "/people").await.body;
        assert!(page.contains("ann@example.org") && page.contains("none yet"));
        let id: i32 = sqlx::query_scalar("select id from person where name = 'Ann'")
            .fetch_one(&mut *test.db().await)
            .await
            .unwrap();
        let page = test.post(&browser, &format!("/people/{id}/link"), &[]).await.body;
        let (_, rest) = page.split_once("http://127.0.0.1:8080/sign-in/link/").expect("the link");
        let path = format!("/sign-in/link/{}", rest.split('<').next().unwrap());
        let answer = test.post_bare(&Browser::default(), &path, &[]).await;
        assert_eq!(answer.location(), "/password");
    }

    #[tokio::test]
    async fn mistakes_are_refused_with_the_remedy_and_what_was_typed_stays() {
        let test = TestApp::new().await;
        let browser = test.browser(Role::Administer).await;
        for (name, email, why) in [
            ("Ann", "ann", "is not an e-mail address"),
            ("", "ann@example.org", "needs a name"),
            ("Ann", "ADMINISTER@example.org", "belongs to someone already"),
        ] {
            let fields = [("name", name), ("email", email), ("role", "engineer")];
            let answer = test.post(&browser, "/people", &fields).await;
            assert_eq!(answer.status, StatusCode::BAD_REQUEST);
            assert!(answer.body.contains(why), "{}", answer.body);
            assert!(answer.body.contains(&format!("value=\"{email}\"")));
            assert!(answer.body.contains("value=\"engineer\" selected"));
        }
    }

    #[tokio::test]
    async fn the_last_administrator_cannot_disable_or_demote_themselves() {
        let test = TestApp::new().await;
        let browser = test.browser(Role::Administer).await;
        let me = browser.person_id;
        for (path, fields) in [
            (format!("/people/{me}/disable"), vec![]),
            (format!("/people/{me}/role"), vec![("role", "view")]),
        ] {
            let answer = test.post(&browser, &path, &fields).await;
            assert_eq!(answer.status, StatusCode::BAD_REQUEST);
            assert!(answer.body.contains("is the last administrator"));
        }
        assert_eq!(test.get(&browser, "/people").await.status, StatusCode::OK);
    }

    #[tokio::test]
    async fn a_changed_role_and_a_disabling_hold_from_the_next_request() {
        let test = TestApp::new().await;
        let administrator = test.browser(Role::Administer).await;
        let other = test.browser(Role::Engineer).await;
        let path = format!("/people/{}", other.person_id);
        test.post(&administrator, &format!("{path}/role"), &[("role", "administer")]).await;
        assert_eq!(test.get(&other, "/people").await.status, StatusCode::OK);
        test.post(&administrator, &format!("{path}/disable"), &[]).await;
        assert_eq!(test.get(&other, "/people").await.status, StatusCode::SEE_OTHER);
        test.post(&administrator, &format!("{path}/enable"), &[]).await;
        assert_eq!(test.get(&other, "/people").await.status, StatusCode::SEE_OTHER, "must sign in again");
    }
}
