//! Sessions: who is behind a cookie.
//!
//! The database's clock judges their age, so that several servers agree.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;

use super::{
    Role, SignedIn,
    token::{Token, digest},
};

/// A new session's secret, for the cookie.
#[derive(Debug)]
pub struct NewSession {
    /// For the cookie.
    pub token: Token,
    /// When it ends at the latest.
    pub expires_at: DateTime<Utc>,
}

/// Starts a session of a person, with a new secret; ends the one that the browser had before, and forgets those of anyone
/// that have run out.
///
/// # Errors
/// When the database fails.
pub async fn start(
    db: &mut PgConnection,
    person_id: i32,
    by_link: bool,
    before: Option<&str>,
) -> sqlx::Result<NewSession> {
    if let Some(before) = before {
        end(db, before).await?;
    }
    sqlx::query!("delete from session where expires_at < now() or seen_at < now() - interval '12 hours'")
        .execute(&mut *db)
        .await?;
    let (token, csrf) = (Token::random(), Token::random());
    let expires_at = sqlx::query_scalar!(
        "insert into session (token_hash, person_id, csrf_token, by_link, expires_at)
         values ($1, $2, $3, $4, now() + interval '7 days') returning expires_at",
        &token.digest(),
        person_id,
        csrf.reveal(),
        by_link,
    )
    .fetch_one(db)
    .await?;
    Ok(NewSession { token, expires_at })
}

/// Who is behind a cookie's secret: nobody when it is unknown, has run out (12 hours unused, 7 days in all), or its person is
/// disabled. Notes at most once a minute that it was used.
///
/// # Errors
/// When the database fails.
pub async fn find(db: &mut PgConnection, secret: &str) -> sqlx::Result<Option<SignedIn>> {
    let token_hash = digest(secret);
    let Some(row) = sqlx::query!(
        "select p.id, p.name, p.email, p.role, s.csrf_token,
                s.by_link and s.created_at > now() - interval '1 hour' as \"by_link!\",
                s.seen_at < now() - interval '1 minute' as \"unnoted!\"
         from session s join person p on p.id = s.person_id
         where s.token_hash = $1 and s.expires_at > now() and s.seen_at > now() - interval '12 hours'
           and p.disabled_at is null",
        &token_hash,
    )
    .fetch_optional(&mut *db)
    .await?
    else {
        return Ok(None);
    };
    if row.unnoted {
        sqlx::query!("update session set seen_at = now() where token_hash = $1", &token_hash)
            .execute(db)
            .await?;
    }
    let role: Role = row.role.parse().map_err(|unknown| sqlx::Error::Decode(Box::new(unknown)))?;
    Ok(Some(SignedIn {
        person_id: row.id,
        name: row.name,
        email: row.email,
        role,
        csrf: row.csrf_token,
        by_link: row.by_link,
        session: token_hash,
        told: crate::on_call::Told::default(),
    }))
}

/// Whether a session that was found before still holds: for connections that stay open.
///
/// # Errors
/// When the database fails.
pub async fn holds(db: &mut PgConnection, token_hash: &[u8; 32]) -> sqlx::Result<bool> {
    sqlx::query_scalar!(
        "select exists (select from session s join person p on p.id = s.person_id
         where s.token_hash = $1 and s.expires_at > now() and p.disabled_at is null) as \"holds!\"",
        token_hash,
    )
    .fetch_one(db)
    .await
}

/// Ends one session.
///
/// # Errors
/// When the database fails.
pub async fn end(db: &mut PgConnection, secret: &str) -> sqlx::Result<()> {
    sqlx::query!("delete from session where token_hash = $1", &digest(secret)).execute(db).await?;
    Ok(())
}

/// Ends every session of a person.
///
/// # Errors
/// When the database fails.
pub async fn end_all(db: &mut PgConnection, person_id: i32) -> sqlx::Result<()> {
    sqlx::query!("delete from session where person_id = $1", person_id).execute(db).await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use private_postgres::testing::TestDatabase;

    use super::*;
    use crate::people::admin;

    async fn person(db: &mut PgConnection) -> i32 {
        admin::create(db, "ann@example.org", "Ann", Role::Operate).await.unwrap()
    }

    #[tokio::test]
    async fn a_session_is_found_by_its_secret_which_is_not_stored() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = person(&mut db).await;
        let session = start(&mut db, id, false, None).await.unwrap();
        let found = find(&mut db, session.token.reveal()).await.unwrap().unwrap();
        assert_eq!((found.person_id, found.name.as_str(), found.role), (id, "Ann", Role::Operate));
        assert!(find(&mut db, "another").await.unwrap().is_none());
        let stored: String =
            sqlx::query_scalar("select session::text from session").fetch_one(&mut *db).await.unwrap();
        assert!(!stored.contains(session.token.reveal()));
    }

    #[tokio::test]
    async fn it_ends_after_12_idle_hours_and_after_7_days() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = person(&mut db).await;
        let secret = start(&mut db, id, false, None).await.unwrap().token;
        for (age, stays) in [
            ("seen_at = now() - interval '11 hours 59 minutes'", true),
            ("seen_at = now() - interval '12 hours 1 minute'", false),
            ("seen_at = now(), expires_at = now() - interval '1 second'", false),
            ("expires_at = created_at + interval '7 days'", true),
        ] {
            let sql = format!("update session set {age}");
            sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&mut *db).await.unwrap();
            assert_eq!(find(&mut db, secret.reveal()).await.unwrap().is_some(), stays, "{age}");
        }
        let life: bool =
            sqlx::query_scalar("select expires_at = created_at + interval '7 days' from session")
                .fetch_one(&mut *db)
                .await
                .unwrap();
        assert!(life);
    }

    #[tokio::test]
    async fn use_keeps_it_alive() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = person(&mut db).await;
        let secret = start(&mut db, id, false, None).await.unwrap().token;
        sqlx::query("update session set seen_at = now() - interval '5 hours'")
            .execute(&mut *db)
            .await
            .unwrap();
        find(&mut db, secret.reveal()).await.unwrap().unwrap();
        let fresh: bool = sqlx::query_scalar("select seen_at > now() - interval '1 minute' from session")
            .fetch_one(&mut *db)
            .await
            .unwrap();
        assert!(fresh);
    }

    #[tokio::test]
    async fn signing_in_again_ends_the_session_before_it() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = person(&mut db).await;
        let first = start(&mut db, id, false, None).await.unwrap().token;
        let second = start(&mut db, id, false, Some(first.reveal())).await.unwrap().token;
        assert_ne!(first.reveal(), second.reveal());
        assert!(find(&mut db, first.reveal()).await.unwrap().is_none());
        assert!(find(&mut db, second.reveal()).await.unwrap().is_some());
    }

    #[tokio::test]
    async fn a_disabled_person_has_no_session_at_once() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = person(&mut db).await;
        let secret = start(&mut db, id, false, None).await.unwrap().token;
        let found = find(&mut db, secret.reveal()).await.unwrap().unwrap();
        assert!(holds(&mut db, &found.session).await.unwrap());
        admin::disable(&mut db, "ann@example.org").await.unwrap();
        assert!(find(&mut db, secret.reveal()).await.unwrap().is_none());
        assert!(!holds(&mut db, &found.session).await.unwrap());
        admin::enable(&mut db, "ann@example.org").await.unwrap();
        assert!(find(&mut db, secret.reveal()).await.unwrap().is_none(), "it does not come back");
    }
}
