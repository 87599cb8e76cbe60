//! What this poller shows to TLS endpoints, and whom it believes.
//!
//! IEEE 1815 leaves TLS to IEC 62351-3, where both sides show a certificate. A file that cannot be used is told by its name before
//! anything is polled.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result, anyhow, ensure};
use rustls::pki_types::pem::{self, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

/// Certificates and key, read and found to fit together.
#[derive(Clone)]
#[allow(missing_debug_implementations, reason = "holds a private key")]
pub struct Tls {
    pub(super) config: Arc<ClientConfig>,
    pub(super) files: Arc<Files>,
}

/// Where they came from, to be named when an endpoint does not like them, or they do not like it.
#[derive(Debug)]
pub(super) struct Files {
    pub(super) authority: PathBuf,
    pub(super) certificate: PathBuf,
}

impl Tls {
    /// From PEM files: the authority that signed the endpoints' certificates, and the poller's own certificate and key.
    ///
    /// # Errors
    /// When a file cannot be read, holds nothing of its kind, or key and certificate do not fit together; the file is named.
    pub fn from_files(authority: &Path, certificate: &Path, key: &Path) -> Result<Self> {
        let mut roots = RootCertStore::empty();
        for root in certificates(authority)? {
            roots
                .add(root)
                .with_context(|| format!("{} holds an authority that cannot be used", authority.display()))?;
        }
        let own = certificates(certificate)?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .context("TLS versions")?
            .with_root_certificates(roots)
            .with_client_auth_cert(own, private_key(key)?)
            .with_context(|| {
                let (certificate, key) = (certificate.display(), key.display());
                format!("the private key in {key} does not fit the certificate in {certificate}")
            })?;
        let files = Files { authority: authority.to_owned(), certificate: certificate.to_owned() };
        Ok(Self { config: Arc::new(config), files: Arc::new(files) })
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>> {
    let found: Result<Vec<_>, _> = CertificateDer::pem_file_iter(path).and_then(Iterator::collect);
    let found = found.map_err(|error| unreadable(path, "certificate", error))?;
    ensure!(!found.is_empty(), "{} holds no certificate in PEM form", path.display());
    Ok(found)
}

fn private_key(path: &Path) -> Result<PrivateKeyDer<'static>> {
    PrivateKeyDer::from_pem_file(path).map_err(|error| match error {
        pem::Error::NoItemsFound => anyhow!(
            "{} holds no private key in PEM form, or one under a passphrase, which cannot be used",
            path.display()
        ),
        error => unreadable(path, "private key", error),
    })
}

fn unreadable(path: &Path, what: &str, error: pem::Error) -> anyhow::Error {
    let path = path.display();
    match error {
        pem::Error::Io(error) => anyhow!("cannot read the {what} in {path}: {error}"),
        pem::Error::Base64Decode(_)
        | pem::Error::MissingSectionEnd { .. }
        | pem::Error::IllegalSectionStart { .. } => {
            anyhow!("the {what} in {path} is damaged or cut short")
        }
        error => anyhow!("cannot read the {what} in {path}: {error}"),
    }
}
