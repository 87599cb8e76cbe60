//! Signatures after the Standard Webhooks scheme: HMAC-SHA256 over `id.timestamp.body`, the key in base64 behind `whsec_`.

use base64::{Engine, prelude::BASE64_STANDARD};

use crate::notification::mac::hmac_sha256;

/// Marks a secret as one of this scheme.
const PREFIX: &str = "whsec_";

/// Why a secret is of no use.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("the webhook's secret must be `whsec_` followed by base64")]
pub struct BadSecret;

/// The key in a secret.
///
/// # Errors
/// When it is not base64 behind the prefix, or empty.
pub(crate) fn key(secret: &str) -> Result<Vec<u8>, BadSecret> {
    let encoded = secret.trim().strip_prefix(PREFIX).ok_or(BadSecret)?;
    BASE64_STANDARD.decode(encoded).ok().filter(|key| !key.is_empty()).ok_or(BadSecret)
}

/// The value of the header `webhook-signature`. `timestamp` is in whole seconds since 1970.
pub(crate) fn sign(key: &[u8], id: &str, timestamp: i64, body: &[u8]) -> String {
    let signed = hmac_sha256(key, &[id.as_bytes(), b".", timestamp.to_string().as_bytes(), b".", body]);
    format!("v1,{}", BASE64_STANDARD.encode(signed))
}

/// A new secret, 256 bits from the system's generator.
#[must_use]
pub fn new_secret() -> String {
    let key: [u8; 32] = rand::random();
    format!("{PREFIX}{}", BASE64_STANDARD.encode(key))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example in the documentation of the Standard Webhooks scheme.
    #[test]
    fn the_signature_is_that_of_standard_webhooks() {
        let key = key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let signature = sign(&key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, br#"{"test": 2432232314}"#);
        assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn a_secret_that_is_not_one_is_refused() {
        for bad in ["", "whsec_", "whsec_!", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"] {
            assert_eq!(key(bad), Err(BadSecret), "{bad}");
        }
        assert_eq!(key(&new_secret()).unwrap().len(), 32);
    }
}
