//! Passwords: argon2id in a PHC string, computed off the async threads, few at once.

use std::{sync::Arc, time::Duration};

use argon2::{
    Algorithm, Argon2, Params, PasswordHash, PasswordHasher, PasswordVerifier, Version,
    password_hash::SaltString,
};
use tokio::sync::Semaphore;

/// Memory cost in KiB, passes and lanes: the second recommended option of RFC 9106 section 4.
const COST: (u32, u32, u32) = (64 * 1024, 3, 4);
/// Computed at once. Each takes 64 MiB and a core for about a tenth of a second.
const AT_ONCE: usize = 2;
/// How long a sign-in waits for its turn.
const PATIENCE: Duration = Duration::from_secs(10);
/// Least length, in characters.
const LEAST: usize = 12;
/// Greatest length, in bytes.
const MOST: usize = 256;

/// Why a password could not be checked or taken.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PasswordError {
    /// Too many are being checked.
    #[error("too many people are signing in at once; try again in a moment")]
    Busy,
    /// Refused as a new password.
    #[error("{0}")]
    Unfit(&'static str),
    /// The library or the stored string failed.
    #[error("computing a password hash: {0}")]
    Failed(String),
}

/// Hashes and verifies, a bounded number at once.
#[derive(Debug, Clone)]
pub(crate) struct Passwords {
    turns: Arc<Semaphore>,
    /// Verified against for addresses that have no password, so that they cost the same.
    decoy: Arc<str>,
}

impl Default for Passwords {
    fn default() -> Self {
        Self { turns: Arc::new(Semaphore::new(AT_ONCE)), decoy: decoy().into() }
    }
}

impl Passwords {
    /// The PHC string of a new password.
    ///
    /// # Errors
    /// [`PasswordError::Unfit`] says what is wrong with the password.
    pub(crate) async fn hash(&self, password: &str) -> Result<String, PasswordError> {
        fit(password)?;
        let password = password.to_owned();
        self.in_turn(move || hash(&password)).await
    }

    /// Whether the password belongs to the stored string. Without a stored string the same work is done and the answer is no.
    ///
    /// # Errors
    /// When too many are being checked, or the stored string is not a PHC string.
    pub(crate) async fn verify(&self, password: &str, stored: Option<&str>) -> Result<bool, PasswordError> {
        let known = stored.is_some();
        let stored = stored.unwrap_or(&self.decoy).to_owned();
        // Bounds the work on what anybody may send; the answer is no in any case.
        let password = if password.len() > MOST { String::new() } else { password.to_owned() };
        let matches = self.in_turn(move || verify(&password, &stored)).await?;
        Ok(known && matches)
    }

    async fn in_turn<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, PasswordError> + Send + 'static,
    ) -> Result<T, PasswordError> {
        let turn = tokio::time::timeout(PATIENCE, Arc::clone(&self.turns).acquire_owned())
            .await
            .map_err(|_elapsed| PasswordError::Busy)?
            .map_err(failed)?;
        tokio::task::spawn_blocking(move || {
            // Held by the work itself, so that an abandoned request still counts.
            let _turn = turn;
            work()
        })
        .await
        .map_err(failed)?
    }
}

/// Refuses what is too short or too long; nothing else is asked of a password (NIST SP 800-63B takes the same view, from memory).
fn fit(password: &str) -> Result<(), PasswordError> {
    if password.chars().count() < LEAST {
        return Err(PasswordError::Unfit("A password needs at least 12 characters; four words will do."));
    }
    if password.len() > MOST {
        return Err(PasswordError::Unfit("A password may have at most 256 bytes."));
    }
    Ok(())
}

fn argon2id() -> Result<Argon2<'static>, PasswordError> {
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None).map_err(failed)?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

fn hash(password: &str) -> Result<String, PasswordError> {
    let salt = SaltString::encode_b64(&rand::random::<[u8; 16]>()).map_err(failed)?;
    Ok(argon2id()?.hash_password(password.as_bytes(), &salt).map_err(failed)?.to_string())
}

fn verify(password: &str, stored: &str) -> Result<bool, PasswordError> {
    let stored = PasswordHash::new(stored).map_err(failed)?;
    // The cost is read from the stored string, so older hashes stay valid when the cost is raised.
    match Argon2::default().verify_password(password.as_bytes(), &stored) {
        Ok(()) => Ok(true),
        Err(argon2::password_hash::Error::Password) => Ok(false),
        Err(other) => Err(failed(other)),
    }
}

/// A string of the right form and cost that no password is known for; random, so that it need not be computed.
fn decoy() -> String {
    use base64::{Engine, engine::general_purpose::STANDARD_NO_PAD};
    let (memory, passes, lanes) = COST;
    let salt = STANDARD_NO_PAD.encode(rand::random::<[u8; 16]>());
    let tag = STANDARD_NO_PAD.encode(rand::random::<[u8; 32]>());
    format!("$argon2id$v=19$m={memory},t={passes},p={lanes}${salt}${tag}")
}

fn failed(error: impl std::fmt::Display) -> PasswordError {
    PasswordError::Failed(error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9106 section 5.3.
    #[test]
    fn the_library_computes_argon2id_as_published() {
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).unwrap())
            .build()
            .unwrap();
        let argon2 = Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).unwrap();
        let mut tag = [0_u8; 32];
        argon2.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
        let hex: String = tag.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hex, "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659");
    }

    #[tokio::test]
    async fn a_password_is_known_again_and_another_is_not() {
        let passwords = Passwords::default();
        let stored = passwords.hash("correct horse battery").await.unwrap();
        assert!(stored.starts_with("$argon2id$v=19$m=65536,t=3,p=4$"), "{stored}");
        assert!(passwords.verify("correct horse battery", Some(&stored)).await.unwrap());
        assert!(!passwords.verify("correct horse batterx", Some(&stored)).await.unwrap());
    }

    #[tokio::test]
    async fn an_address_without_a_password_costs_a_full_check_and_is_refused() {
        let passwords = Passwords::default();
        assert!(!passwords.verify("anything at all", None).await.unwrap());
        // The decoy is a whole hash of the same cost: checking it runs the function rather than failing early.
        assert!(!verify("anything at all", &passwords.decoy).unwrap());
        assert!(passwords.decoy.starts_with("$argon2id$v=19$m=65536,t=3,p=4$"));
    }

    #[tokio::test]
    async fn short_passwords_are_refused_with_the_remedy() {
        let refused = Passwords::default().hash("short").await.unwrap_err();
        assert!(refused.to_string().contains("at least 12 characters"));
    }

    #[tokio::test]
    async fn no_more_than_the_bound_are_computed_at_once() {
        let passwords = Passwords::default();
        let all = Arc::clone(&passwords.turns).acquire_many_owned(2).await.unwrap();
        let waiting = passwords.verify("anything at all", None);
        tokio::pin!(waiting);
        assert!(futures_util::poll!(waiting.as_mut()).is_pending());
        drop(all);
        assert!(!waiting.await.unwrap());
    }
}
