//! Secrets that we hand out: session cookies, form tokens, one-time links. Only their digests are stored.

use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use sha2::{Digest, Sha256};

/// A random secret of 256 bits, in the 43 characters of unpadded base64url.
#[derive(Clone)]
pub struct Token(String);

impl Token {
    /// A new one. The thread's generator is a ChaCha stream cipher, seeded and reseeded by the operating system.
    #[must_use]
    pub fn random() -> Self {
        Self(URL_SAFE_NO_PAD.encode(rand::random::<[u8; 32]>()))
    }

    /// The secret itself, to give to its owner.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// What is stored of it.
    #[must_use]
    pub fn digest(&self) -> [u8; 32] {
        digest(&self.0)
    }
}

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(..)")
    }
}

/// SHA-256 of a token as it came from outside. A secret of 256 random bits needs no slow hash.
#[must_use]
pub(crate) fn digest(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_are_long_different_and_not_printed() {
        let (one, other) = (Token::random(), Token::random());
        assert_eq!(one.reveal().len(), 43);
        assert_ne!(one.reveal(), other.reveal());
        assert!(!format!("{one:?}").contains(one.reveal()));
    }

    /// FIPS 180-4 example "abc".
    #[test]
    fn the_digest_is_sha_256() {
        assert_eq!(digest("abc")[..4], [0xba, 0x78, 0x16, 0xbf]);
    }
}
