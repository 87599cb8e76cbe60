//! Managing people: for the command line and the people page.
//!
//! Everything here takes an e-mail address, as people type it, without regard to case.

use std::time::Duration;

use chrono::{DateTime, Utc};
use sqlx::{Connection, PgConnection};

use super::{Role, link, session};

/// Why people could not be changed.
#[derive(Debug, thiserror::Error)]
pub enum PeopleError {
    /// Nobody has this address.
    #[error("nobody has the address {0}; list the people to see who there is")]
    Unknown(String),
    /// Someone has this address already.
    #[error("{0} belongs to someone already; change that person's role, or enable them, instead")]
    Taken(String),
    /// Not an e-mail address.
    #[error("{0:?} is not an e-mail address; it needs a name, an @ and a domain")]
    NotAnAddress(String),
    /// A name is missing.
    #[error("a person needs a name, of at most 100 characters")]
    NoName,
    /// Nobody would be left to manage people.
    #[error("{0} is the last administrator; make someone else an administrator first")]
    LastAdministrator(String),
    /// The person is disabled.
    #[error("{0} is disabled; enable them first")]
    Disabled(String),
    /// The database failed.
    #[error("the people could not be read or changed")]
    Database(#[from] sqlx::Error),
}

type Result<T> = std::result::Result<T, PeopleError>;

/// One person.
#[derive(Debug, Clone)]
pub struct Person {
    /// Their row.
    pub id: i32,
    /// Their address.
    pub email: String,
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Whether a password has been chosen.
    pub has_password: bool,
    /// When they were disabled.
    pub disabled_at: Option<DateTime<Utc>>,
    /// When they last used a session that has not run out.
    pub seen_at: Option<DateTime<Utc>>,
}

/// Everybody, by name.
///
/// # Errors
/// When the database fails.
pub async fn list(db: &mut PgConnection) -> Result<Vec<Person>> {
    let rows = sqlx::query!(
        "select id, email, name, role, password_hash is not null as \"has_password!\", disabled_at,
                (select max(seen_at) from session where person_id = person.id) as seen_at
         from person order by disabled_at is not null, lower(name), id"
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let role = row.role.parse().map_err(|unknown| sqlx::Error::Decode(Box::new(unknown)))?;
            Ok(Person {
                id: row.id,
                email: row.email,
                name: row.name,
                role,
                has_password: row.has_password,
                disabled_at: row.disabled_at,
                seen_at: row.seen_at,
            })
        })
        .collect()
}

/// Adds a person, without a password: give them a link made by [`sign_in_link`]. Returns their row.
///
/// # Errors
/// When the address is taken or none, or the name is empty.
pub async fn create(db: &mut PgConnection, email: &str, name: &str, role: Role) -> Result<i32> {
    let (email, name) = (email.trim(), name.trim());
    if !looks_like_an_address(email) {
        return Err(PeopleError::NotAnAddress(email.to_owned()));
    }
    if name.is_empty() || name.chars().count() > 100 {
        return Err(PeopleError::NoName);
    }
    sqlx::query_scalar!(
        "insert into person (email, name, role) values ($1, $2, $3) on conflict do nothing returning id",
        email,
        name,
        role.name(),
    )
    .fetch_optional(db)
    .await?
    .ok_or_else(|| PeopleError::Taken(email.to_owned()))
}

/// Gives a person another role.
///
/// # Errors
/// When nobody has the address, or the last administrator would be lost.
pub async fn set_role(db: &mut PgConnection, email: &str, role: Role) -> Result<()> {
    let mut tx = db.begin().await?;
    let before = locked(&mut tx, email).await?;
    if role != Role::Administer {
        another_administrator(&mut tx, &before).await?;
    }
    sqlx::query!("update person set role = $2 where id = $1", before.id, role.name())
        .execute(&mut *tx)
        .await?;
    Ok(tx.commit().await?)
}

/// Keeps a person out from now on, and ends their sessions. Their name stays in the records.
///
/// # Errors
/// When nobody has the address, or the last administrator would be lost.
pub async fn disable(db: &mut PgConnection, email: &str) -> Result<()> {
    let mut tx = db.begin().await?;
    let before = locked(&mut tx, email).await?;
    another_administrator(&mut tx, &before).await?;
    sqlx::query!("update person set disabled_at = coalesce(disabled_at, now()) where id = $1", before.id)
        .execute(&mut *tx)
        .await?;
    session::end_all(&mut tx, before.id).await?;
    Ok(tx.commit().await?)
}

/// Lets a disabled person in again.
///
/// # Errors
/// When nobody has the address.
pub async fn enable(db: &mut PgConnection, email: &str) -> Result<()> {
    let done =
        sqlx::query!("update person set disabled_at = null where lower(email) = lower($1)", email.trim())
            .execute(db)
            .await?;
    if done.rows_affected() == 0 { Err(PeopleError::Unknown(email.trim().to_owned())) } else { Ok(()) }
}

/// Makes a one-time sign-in link and returns its path; put the server's public address before it.
///
/// # Errors
/// When nobody has the address, or the person is disabled.
pub async fn sign_in_link(db: &mut PgConnection, email: &str, life: Duration) -> Result<String> {
    let email = email.trim();
    let person = sqlx::query!("select id, disabled_at from person where lower(email) = lower($1)", email)
        .fetch_optional(&mut *db)
        .await?
        .ok_or_else(|| PeopleError::Unknown(email.to_owned()))?;
    if person.disabled_at.is_some() {
        return Err(PeopleError::Disabled(email.to_owned()));
    }
    Ok(link::make(db, person.id, life).await?)
}

struct Locked {
    id: i32,
    email: String,
    active_administrator: bool,
}

/// The person, with every change of roles held up until the transaction ends: two administrators who remove one another
/// at the same time must not both succeed.
async fn locked(db: &mut PgConnection, email: &str) -> Result<Locked> {
    sqlx::query!("lock table person in share row exclusive mode").execute(&mut *db).await?;
    sqlx::query_as!(
        Locked,
        "select id, email, role = 'administer' and disabled_at is null as \"active_administrator!\"
         from person where lower(email) = lower($1)",
        email.trim(),
    )
    .fetch_optional(db)
    .await?
    .ok_or_else(|| PeopleError::Unknown(email.trim().to_owned()))
}

async fn another_administrator(db: &mut PgConnection, person: &Locked) -> Result<()> {
    if !person.active_administrator {
        return Ok(());
    }
    let another = sqlx::query_scalar!(
        "select exists (select from person where role = 'administer' and disabled_at is null and id <> $1) as \"another!\"",
        person.id,
    )
    .fetch_one(db)
    .await?;
    if another { Ok(()) } else { Err(PeopleError::LastAdministrator(person.email.clone())) }
}

/// Only what would surely fail is refused; the mail server has the last word (RFC 5321 bounds the lengths).
pub(crate) fn looks_like_an_address(email: &str) -> bool {
    let Some((local, domain)) = email.rsplit_once('@') else { return false };
    let clean = |part: &str| !part.is_empty() && !part.chars().any(|c| c.is_whitespace() || c.is_control());
    clean(local)
        && clean(domain)
        && local.len() <= 64
        && domain.len() <= 255
        && !local.contains(['<', '>', ','])
}

#[cfg(test)]
mod tests {
    use private_postgres::testing::TestDatabase;

    use super::*;

    #[tokio::test]
    async fn a_person_is_added_once_whatever_the_case_of_the_address() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        create(&mut db, " Ann@example.org ", "Ann", Role::View).await.unwrap();
        let again = create(&mut db, "ann@EXAMPLE.org", "Ann", Role::View).await.unwrap_err();
        assert!(matches!(again, PeopleError::Taken(_)), "{again}");
        let people = list(&mut db).await.unwrap();
        assert_eq!(people.len(), 1);
        assert_eq!((people[0].email.as_str(), people[0].has_password), ("Ann@example.org", false));
    }

    #[tokio::test]
    async fn addresses_and_names_that_cannot_be_are_refused() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        for bad in ["", "ann", "@example.org", "ann@", "ann smith@example.org", "Ann <ann@example.org>"] {
            let refused = create(&mut db, bad, "Ann", Role::View).await.unwrap_err();
            assert!(matches!(refused, PeopleError::NotAnAddress(_)), "{bad}: {refused}");
        }
        assert!(matches!(create(&mut db, "a@b", " ", Role::View).await.unwrap_err(), PeopleError::NoName));
    }

    #[tokio::test]
    async fn the_last_administrator_stays() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        create(&mut db, "ann@example.org", "Ann", Role::Administer).await.unwrap();
        create(&mut db, "bob@example.org", "Bob", Role::Administer).await.unwrap();
        disable(&mut db, "bob@example.org").await.unwrap();
        let refused = disable(&mut db, "ANN@example.org").await.unwrap_err();
        assert!(
            matches!(refused, PeopleError::LastAdministrator(_)),
            "a disabled one does not count: {refused}"
        );
        let refused = set_role(&mut db, "ann@example.org", Role::View).await.unwrap_err();
        assert!(matches!(refused, PeopleError::LastAdministrator(_)));
        enable(&mut db, "bob@example.org").await.unwrap();
        set_role(&mut db, "ann@example.org", Role::View).await.unwrap();
        set_role(&mut db, "ann@example.org", Role::Engineer).await.unwrap();
    }

    #[tokio::test]
    async fn unknown_and_disabled_people_get_no_link() {
        let test = TestDatabase::new().await;
        let mut db = test.pool.acquire().await.unwrap();
        let nobody = sign_in_link(&mut db, "ann@example.org", link::LIFE).await.unwrap_err();
        assert!(matches!(nobody, PeopleError::Unknown(_)));
        create(&mut db, "ann@example.org", "Ann", Role::View).await.unwrap();
        assert!(
            sign_in_link(&mut db, "Ann@example.org", link::LIFE).await.unwrap().starts_with("/sign-in/link/")
        );
        disable(&mut db, "ann@example.org").await.unwrap();
        let refused = sign_in_link(&mut db, "ann@example.org", link::LIFE).await.unwrap_err();
        assert!(matches!(refused, PeopleError::Disabled(_)));
    }
}
