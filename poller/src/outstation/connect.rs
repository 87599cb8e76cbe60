//! A connection to a DNP3 endpoint: TCP, or TLS with certificates on both sides.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context as _, Result, ensure};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

/// What this poller shows to TLS endpoints, and whom it believes (IEEE 1815 clause 7 leaves TLS to IEC 62351-3: both sides
/// show a certificate).
#[derive(Clone)]
#[allow(missing_debug_implementations, reason = "holds a private key")]
pub struct Tls(Arc<ClientConfig>);

impl Tls {
    /// From PEM files: the authority that signed the endpoints' certificates, and the poller's own certificate and key.
    ///
    /// # Errors
    /// When a file cannot be read, holds nothing of its kind, or key and certificate do not fit together.
    pub fn from_files(authority: &Path, certificate: &Path, key: &Path) -> Result<Self> {
        let read = |path: &Path| -> Result<Vec<CertificateDer<'static>>> {
            let read = CertificateDer::pem_file_iter(path).and_then(Iterator::collect);
            let found: Vec<_> =
                read.with_context(|| format!("reading certificates from {}", path.display()))?;
            ensure!(!found.is_empty(), "{} holds no certificate", path.display());
            Ok(found)
        };
        let mut roots = RootCertStore::empty();
        for root in read(authority)? {
            roots.add(root).with_context(|| format!("an authority in {}", authority.display()))?;
        }
        let key = PrivateKeyDer::from_pem_file(key)
            .with_context(|| format!("reading the private key from {}", key.display()))?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .context("TLS versions")?
            .with_root_certificates(roots)
            .with_client_auth_cert(read(certificate)?, key)
            .context("the certificate and the private key do not fit together")?;
        Ok(Self(Arc::new(config)))
    }
}

/// Any stream.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

/// Connects within the time; with TLS if `tls` is asked for.
pub(crate) async fn connect(
    host: &str,
    port: u16,
    tls: Option<&Tls>,
    within: Duration,
) -> io::Result<Box<dyn Stream>> {
    let connecting = async {
        let stream = TcpStream::connect((host, port)).await?;
        stream.set_nodelay(true)?;
        let Some(tls) = tls else { return Ok(Box::new(stream) as Box<dyn Stream>) };
        let name = ServerName::try_from(host.to_owned()).map_err(io::Error::other)?;
        let stream = TlsConnector::from(Arc::clone(&tls.0)).connect(name, stream).await?;
        Ok(Box::new(stream) as Box<dyn Stream>)
    };
    timeout(within, connecting)
        .await
        .map_err(|_| io::Error::new(io::ErrorKind::TimedOut, "no connection in time"))?
}
