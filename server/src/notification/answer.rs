//! The links by which people acknowledge from a message, without signing in.
//!
//! A link names the message and until when it works, and bears a code (HMAC-SHA-256) that only this installation can make. It acknowledges one alarm,
//! as the one recipient who got the message, for about two hours, once. The code is cut to 128 bits, half the hash, which RFC 2104 section 5
//! recommends as the least; so a link is short enough for a text message.

use base64::{Engine, prelude::BASE64_URL_SAFE_NO_PAD};
use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use subtle::ConstantTimeEq;

use super::mac::hmac_sha256;

/// Bytes of the code.
const CODE: usize = 16;
/// Bytes of the time: whole minutes since 1970.
const MINUTES: usize = 4;
/// Says what the code is for, so that one made for something else is of no use here.
const PURPOSE: &[u8] = b"tapkeeper answer 1";

/// What the codes are made with.
#[derive(Clone)]
pub(crate) struct Key(Vec<u8>);

impl std::fmt::Debug for Key {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str("Key(..)")
    }
}

/// The installation's key, made at first use.
pub(crate) async fn key(conn: &mut PgConnection) -> sqlx::Result<Key> {
    let known = sqlx::query_scalar!("select secret from server_secret where name = 'answer'")
        .fetch_optional(&mut *conn)
        .await?;
    if let Some(secret) = known {
        return Ok(Key(secret));
    }
    let secret: [u8; 32] = rand::random();
    sqlx::query!(
        "insert into server_secret (name, secret) values ('answer', $1) on conflict (name) do nothing",
        &secret[..]
    )
    .execute(&mut *conn)
    .await?;
    // Another server may have been first.
    sqlx::query_scalar!("select secret from server_secret where name = 'answer'")
        .fetch_one(conn)
        .await
        .map(Key)
}

/// What a link names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Named {
    pub(crate) notification_id: i64,
    /// Until just before this instant.
    pub(crate) until: DateTime<Utc>,
}

/// The token for a message, of letters, digits, `-` and `_`.
pub(crate) fn token(key: &Key, notification_id: i64, until: DateTime<Utc>) -> String {
    let minutes = u32::try_from(until.timestamp() / 60).unwrap_or(u32::MAX).to_be_bytes();
    let id = notification_id.to_be_bytes();
    let zeros = id.iter().take_while(|byte| **byte == 0).count();
    let id = &id[zeros..];
    let bytes = [&minutes[..], &code(key, &minutes, id), id].concat();
    BASE64_URL_SAFE_NO_PAD.encode(bytes)
}

/// What a token names; nothing if this installation has not made it.
pub(crate) fn read(key: &Key, token: &str) -> Option<Named> {
    let bytes = BASE64_URL_SAFE_NO_PAD.decode(token).ok()?;
    let (minutes, rest) = bytes.split_at_checked(MINUTES)?;
    let (sent, id) = rest.split_at_checked(CODE)?;
    // One way of writing each number, so that a message has one token for each time.
    if id.is_empty() || id.len() > 8 || id[0] == 0 || !bool::from(code(key, minutes, id)[..].ct_eq(sent)) {
        return None;
    }
    let notification_id = id.iter().fold(0_i64, |number, byte| number << 8 | i64::from(*byte));
    let minutes = u32::from_be_bytes(minutes.try_into().ok()?);
    Some(Named { notification_id, until: DateTime::from_timestamp(i64::from(minutes) * 60, 0)? })
}

fn code(key: &Key, minutes: &[u8], id: &[u8]) -> [u8; CODE] {
    let whole = hmac_sha256(&key.0, &[PURPOSE, minutes, id]);
    let mut code = [0; CODE];
    code.copy_from_slice(&whole[..CODE]);
    code
}

/// The address that a token is sent as.
pub(crate) fn link(public_url: &str, token: &str) -> String {
    format!("{}/answer/{token}", public_url.trim_end_matches('/'))
}

#[cfg(test)]
mod tests {
    use chrono::TimeZone;

    use super::*;
    use crate::notification::testing::Story;

    fn until() -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2026, 11, 26, 1, 30, 0).unwrap()
    }

    #[test]
    fn a_token_is_read_back_and_short() {
        let key = Key(vec![7; 32]);
        for id in [1, 255, 256, 200_001, i64::from(u32::MAX), i64::MAX] {
            let token = token(&key, id, until() + chrono::TimeDelta::seconds(59));
            assert_eq!(read(&key, &token), Some(Named { notification_id: id, until: until() }), "{id}");
            assert!(
                token.len() <= 38 && token.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b))
            );
        }
        assert_eq!(token(&key, 200_001, until()).len(), 31);
    }

    #[test]
    fn what_was_changed_cut_or_made_elsewhere_names_nothing() {
        let key = Key(vec![7; 32]);
        let good = token(&key, 200_001, until());
        for i in 0..good.len() {
            let mut bytes = good.clone().into_bytes();
            bytes[i] = if bytes[i] == b'A' { b'B' } else { b'A' };
            let changed = String::from_utf8(bytes).unwrap();
            assert_eq!(read(&key, &changed), None, "{changed}");
            assert_eq!(read(&key, &good[..i]), None);
        }
        assert_eq!(read(&Key(vec![8; 32]), &good), None);
        for bad in ["", "A", "%%%", &format!("{good}AA"), &"A".repeat(5000)] {
            assert_eq!(read(&key, bad), None);
        }
    }

    #[tokio::test]
    async fn every_server_has_the_same_key() {
        let story = Story::new().await;
        let (mut one, mut other) =
            (story.pool().acquire().await.unwrap(), story.pool().acquire().await.unwrap());
        let (first, second) = tokio::join!(key(&mut one), key(&mut other));
        assert_eq!(first.unwrap().0, second.unwrap().0);
    }
}
