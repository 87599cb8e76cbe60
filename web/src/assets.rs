//! Styles, scripts and images, embedded in the program under names that change with their content.

/// One embedded file.
#[derive(Debug, Clone, Copy)]
pub struct Asset {
    /// The name that templates ask for: `app.css`.
    pub name: &'static str,
    /// The name that browsers fetch, with the fingerprint in it: `app-0123456789abcdef.css`.
    pub path: &'static str,
    /// The fingerprint: the first half of SHA-256, as hexadecimal digits.
    pub hash: &'static str,
    /// Media type.
    pub kind: &'static str,
    /// The content.
    pub body: &'static [u8],
}

const TABLE: &[Asset] = include!(concat!(env!("OUT_DIR"), "/assets.rs"));

/// The file behind a fingerprinted name, as in `/assets/PATH`.
#[must_use]
pub fn by_path(path: &str) -> Option<&'static Asset> {
    TABLE.iter().find(|a| a.path == path)
}

/// The address to fetch an asset from. An asset that was not built leads to an address that answers "not found".
#[must_use]
pub fn url(name: &str) -> String {
    let path = TABLE.iter().find(|a| a.name == name).map_or(name, |a| a.path);
    format!("/assets/{path}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_asset_is_found_by_the_address_that_pages_name() {
        for asset in TABLE {
            let url = url(asset.name);
            let found = by_path(url.strip_prefix("/assets/").unwrap()).unwrap();
            assert_eq!(found.name, asset.name);
            assert!(url.contains(asset.hash));
            assert!(!asset.body.is_empty());
        }
        assert!(by_path("app.css").is_none());
        assert!(by_path("../Cargo.toml").is_none());
    }
}
