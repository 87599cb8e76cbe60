//! What a device says it is.

use dnp3::application::Fragment;
use dnp3::objects::attribute::{Content, variation};

use crate::endpoint::Identity;

/// Longest text that is kept of one attribute, characters.
const LONGEST: usize = 120;

/// The identity in a fragment's device attributes; none if it has none of those kept.
pub(crate) fn identity(fragment: &Fragment<'_>) -> Option<Identity> {
    let mut identity = Identity::default();
    for block in fragment.blocks().map_while(Result::ok) {
        for attribute in block.attributes().filter(|attribute| attribute.set == 0) {
            let Content::Text(bytes) = attribute.content else { continue };
            let place = match attribute.variation {
                variation::MANUFACTURER => &mut identity.manufacturer,
                variation::MODEL => &mut identity.model,
                variation::SOFTWARE_VERSION => &mut identity.software_version,
                variation::HARDWARE_VERSION => &mut identity.hardware_version,
                variation::SERIAL_NUMBER => &mut identity.serial_number,
                _ => continue,
            };
            *place = text(bytes);
        }
    }
    (identity != Identity::default()).then_some(identity)
}

/// What of a device's text can be shown and stored; none if that is nothing.
fn text(bytes: &[u8]) -> Option<String> {
    let shown: String =
        String::from_utf8_lossy(bytes).chars().filter(|c| !c.is_control()).take(LONGEST).collect();
    let shown = shown.trim();
    (!shown.is_empty()).then(|| shown.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A response by hand (annex A.1): manufacturer, an attribute that is not kept, a serial number with a zero byte.
    #[test]
    fn attributes_become_an_identity() {
        let mut bytes = vec![0xC0, 0x81, 0, 0];
        bytes.extend_from_slice(&[0, 252, 0, 0, 0, 1, 5]);
        bytes.extend_from_slice(b"Maker");
        bytes.extend_from_slice(&[0, 217, 0, 0, 0, 2, 1, 7]);
        bytes.extend_from_slice(&[0, 248, 0, 0, 0, 1, 5]);
        bytes.extend_from_slice(b" 12\x003");
        let found = identity(&Fragment::parse(&bytes).unwrap()).unwrap();
        assert_eq!(found.manufacturer.as_deref(), Some("Maker"));
        assert_eq!(found.serial_number.as_deref(), Some("123"));
        assert_eq!(found.model, None);
        assert_eq!(identity(&Fragment::parse(&bytes[..4]).unwrap()), None);
    }
}
