//! HMAC-SHA-256 (RFC 2104, FIPS 180-4), under webhooks' signatures and the links by which people answer.

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// The code of the parts, one after the other.
pub(super) fn hmac_sha256(key: &[u8], parts: &[&[u8]]) -> [u8; 32] {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes keys of any length");
    for part in parts {
        mac.update(part);
    }
    mac.finalize().into_bytes().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(bytes: &[u8]) -> String {
        bytes.iter().map(|b| format!("{b:02x}")).collect()
    }

    /// RFC 4231, section 4: test cases 1 to 4, 6 and 7.
    #[test]
    fn the_code_is_that_of_rfc_4231() {
        let counting: Vec<u8> = (1..=25).collect();
        let long_key = [0xaa; 131];
        let table: [(&[u8], &[&[u8]], &str); 6] = [
            (
                &[0x0b; 20],
                &[b"Hi ", b"There"],
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe",
                &[b"what do ya want for nothing?"],
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (&[0xaa; 20], &[&[0xdd; 50]], "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
            (&counting, &[&[0xcd; 50]], "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
            (
                &long_key,
                &[b"Test Using Larger Than Block-Size Key - Hash Key First"],
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
            (
                &long_key,
                &[b"This is a test using a larger than block-size key and a larger than block-size data. \
                    The key needs to be hashed before being used by the HMAC algorithm."],
                "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
            ),
        ];
        for (key, parts, expected) in table {
            assert_eq!(hex(&hmac_sha256(key, parts)), expected);
        }
    }
}
