//! One-time sign-in links: how a new person, or one who forgot the password, gets in.

use std::time::Duration;

use sqlx::PgConnection;

use super::token::{Token, digest};

/// How long a link made by an administrator can be used.
pub const LIFE: Duration = Duration::from_secs(60 * 60);

/// Makes a link and returns its path, which is the only place where the secret stands.
///
/// # Errors
/// When the database fails.
pub async fn make(db: &mut PgConnection, person_id: i32, life: Duration) -> sqlx::Result<String> {
    sqlx::query!("delete from sign_in_link where expires_at < now() - interval '30 days'")
        .execute(&mut *db)
        .await?;
    let token = Token::random();
    sqlx::query!(
        "insert into sign_in_link (token_hash, person_id, expires_at) values ($1, $2, now() + make_interval(secs => $3))",
        &token.digest(),
        person_id,
        life.as_secs_f64(),
    )
    .execute(db)
    .await?;
    Ok(format!("/sign-in/link/{}", token.reveal()))
}

/// Whether a link can still be used; looking does not use it.
///
/// # Errors
/// When the database fails.
pub async fn usable(db: &mut PgConnection, secret: &str) -> sqlx::Result<bool> {
    sqlx::query_scalar!(
        "select exists (select from sign_in_link l join person p on p.id = l.person_id
         where l.token_hash = $1 and l.used_at is null and l.expires_at > now() and p.disabled_at is null) as \"usable!\"",
        &digest(secret),
    )
    .fetch_one(db)
    .await
}

/// Uses a link up: the person it was made for, or nobody when it is unknown, used, too old, or the person is disabled.
///
/// # Errors
/// When the database fails.
pub async fn redeem(db: &mut PgConnection, secret: &str) -> sqlx::Result<Option<i32>> {
    sqlx::query_scalar!(
        "update sign_in_link l set used_at = now() from person p
         where p.id = l.person_id and l.token_hash = $1 and l.used_at is null and l.expires_at > now()
           and p.disabled_at is null
         returning p.id",
        &digest(secret),
    )
    .fetch_optional(db)
    .await
}

#[cfg(test)]
mod tests {
    use private_postgres::testing::TestDatabase;

    use super::*;
    use crate::people::{Role, admin};

    fn secret(path: &str) -> &str {
        path.strip_prefix("/sign-in/link/").unwrap()
    }

    #[tokio::test]
    async fn a_link_works_once() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = admin::create(&mut db, "ann@example.org", "Ann", Role::View).await.unwrap();
        let path = make(&mut db, id, LIFE).await.unwrap();
        assert!(usable(&mut db, secret(&path)).await.unwrap());
        assert!(usable(&mut db, secret(&path)).await.unwrap(), "looking does not use it");
        assert_eq!(redeem(&mut db, secret(&path)).await.unwrap(), Some(id));
        assert_eq!(redeem(&mut db, secret(&path)).await.unwrap(), None);
        assert!(!usable(&mut db, secret(&path)).await.unwrap());
    }

    #[tokio::test]
    async fn a_link_runs_out_and_is_no_good_for_a_disabled_person() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let id = admin::create(&mut db, "ann@example.org", "Ann", Role::View).await.unwrap();
        let old = make(&mut db, id, Duration::ZERO).await.unwrap();
        assert_eq!(redeem(&mut db, secret(&old)).await.unwrap(), None);
        let fresh = make(&mut db, id, LIFE).await.unwrap();
        admin::disable(&mut db, "ann@example.org").await.unwrap();
        assert_eq!(redeem(&mut db, secret(&fresh)).await.unwrap(), None);
    }
}
