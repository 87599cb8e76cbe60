//! Authorities and certificates for the tests, made afresh each time.

use std::path::PathBuf;
use std::sync::Arc;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{ClientConfig, RootCertStore, ServerConfig, SupportedProtocolVersion};
use tempfile::TempDir;
use tokio_rustls::TlsAcceptor;

use crate::Tls;
use crate::outstation::tls::Files;

/// TLS as it is today, and what older devices speak.
pub(super) const VERSIONS: [&SupportedProtocolVersion; 2] =
    [&rustls::version::TLS13, &rustls::version::TLS12];

pub(super) struct Authority(CertifiedIssuer<'static, KeyPair>);

/// A certificate and its key.
pub(super) struct Own {
    pub(super) certificate: CertificateDer<'static>,
    pub(super) certificate_pem: String,
    pub(super) key: KeyPair,
}

impl Authority {
    pub(super) fn new(name: &str) -> Self {
        let mut params = CertificateParams::default();
        params.distinguished_name.push(DnType::CommonName, name);
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        Self(CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap())
    }

    /// A certificate for a host name or IP address.
    pub(super) fn issue(&self, host: &str) -> Own {
        self.issue_with(host, |_| {})
    }

    pub(super) fn issue_with(&self, host: &str, edit: impl FnOnce(&mut CertificateParams)) -> Own {
        let mut params = CertificateParams::new([host.to_owned()]).unwrap();
        params.distinguished_name.push(DnType::CommonName, host);
        edit(&mut params);
        let key = KeyPair::generate().unwrap();
        let made = params.signed_by(&key, &self.0).unwrap();
        Own { certificate: made.der().clone(), certificate_pem: made.pem(), key }
    }

    fn roots(&self) -> RootCertStore {
        let mut roots = RootCertStore::empty();
        roots.add(self.0.der().clone()).unwrap();
        roots
    }

    /// The door of an outstation that lets in only whom this authority knows.
    pub(super) fn door(&self, own: &Own, versions: &[&'static SupportedProtocolVersion]) -> TlsAcceptor {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let verifier =
            WebPkiClientVerifier::builder_with_provider(Arc::new(self.roots()), Arc::clone(&provider));
        let config = ServerConfig::builder_with_provider(provider)
            .with_protocol_versions(versions)
            .unwrap()
            .with_client_cert_verifier(verifier.build().unwrap())
            .with_single_cert(vec![own.certificate.clone()], own.private_key())
            .unwrap();
        TlsAcceptor::from(Arc::new(config))
    }

    /// A poller that believes this authority and shows that certificate, by way of the files that people configure.
    pub(super) fn poller(&self, own: &Own) -> Tls {
        let files = PemFiles::new(self, own);
        Tls::from_files(&files.authority, &files.certificate, &files.key).unwrap()
    }

    /// A poller that has no certificate to show.
    pub(super) fn poller_without_certificate(&self) -> Tls {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(self.roots())
            .with_no_client_auth();
        let files = Files { authority: "authority.pem".into(), certificate: "poller.pem".into() };
        Tls { config: Arc::new(config), files: Arc::new(files) }
    }
}

impl Own {
    fn private_key(&self) -> PrivateKeyDer<'static> {
        PrivateKeyDer::Pkcs8(self.key.serialize_der().into())
    }
}

/// Files as they are configured; they go when this goes.
pub(super) struct PemFiles {
    pub(super) folder: TempDir,
    pub(super) authority: PathBuf,
    pub(super) certificate: PathBuf,
    pub(super) key: PathBuf,
}

impl PemFiles {
    pub(super) fn new(authority: &Authority, own: &Own) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        Self {
            authority: write("authority.pem", &authority.0.pem()),
            certificate: write("poller.pem", &own.certificate_pem),
            key: write("poller.key", &own.key.serialize_pem()),
            folder,
        }
    }
}
