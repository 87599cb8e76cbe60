//! Why there is no TLS with an endpoint, in words that say what to do about it.
//!
//! Who refuses decides where to look: we refuse the endpoint's certificate, it refuses ours (an alert, RFC 8446 section 6.2), or
//! what answers speaks no TLS at all. In TLS 1.3 the endpoint judges our certificate after our side of the handshake is over, so
//! its refusal comes where its first answer is awaited (RFC 8446 section 4.4.2.4).

use std::fmt::Display;
use std::io;
use std::sync::Arc;

use chrono::DateTime;
use rustls::pki_types::UnixTime;
use rustls::{AlertDescription as Alert, CertificateError as Wrong, Error};

use super::tls::Files;

/// A connection that failed for its TLS, before the endpoint has said anything else.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(super) struct Refusal(String);

impl Refusal {
    /// The refusal that an error holds.
    pub(super) fn of(error: &io::Error) -> Option<&Self> {
        error.get_ref()?.downcast_ref()
    }
}

/// Who is spoken to, with which files.
pub(super) struct Peer {
    pub(super) host: String,
    pub(super) files: Arc<Files>,
}

impl Peer {
    /// The error, in words if it is one of TLS.
    pub(super) fn explain(&self, error: io::Error) -> io::Error {
        let tls = error.get_ref().and_then(|inner| inner.downcast_ref::<Error>());
        match tls {
            Some(tls) => io::Error::new(error.kind(), Refusal(self.words(tls))),
            None => error,
        }
    }

    /// It went away in the handshake.
    pub(super) fn left_handshake(&self) -> io::Error {
        refused(format!(
            "it ended the connection in the TLS handshake; either it speaks plain DNP3 at this port (dnp3-tcp://), or it does not \
             accept the poller's certificate in {}",
            self.files.certificate.display()
        ))
    }

    /// It went away after the handshake, and before it said anything.
    pub(super) fn left_unheard(&self) -> io::Error {
        refused(format!(
            "it ended the connection right after the TLS handshake; most likely it does not accept the poller's certificate in {}, \
             or it is busy with another master",
            self.files.certificate.display()
        ))
    }

    fn words(&self, error: &Error) -> String {
        match error {
            Error::InvalidCertificate(wrong) => self.not_believed(wrong),
            Error::AlertReceived(alert) => self.turned_away(*alert),
            Error::InvalidMessage(_) => {
                "what answers at this port does not speak TLS; if it speaks plain DNP3, its address begins \
                                         with dnp3-tcp://"
                    .to_owned()
            }
            Error::PeerIncompatible(what) => format!("{NOTHING_COMMON} ({what:?})"),
            other => format!("TLS failed: {other}"),
        }
    }

    /// We do not take its certificate.
    fn not_believed(&self, wrong: &Wrong) -> String {
        let (host, authority) = (&self.host, self.files.authority.display());
        match wrong {
            Wrong::UnknownIssuer | Wrong::BadSignature => format!(
                "its certificate is not signed by an authority in {authority}; if this is the right endpoint, add the authority \
                 that signed its certificate to that file"
            ),
            Wrong::NotValidForNameContext { presented, .. } => format!(
                "its certificate is for {}, not for {host}; give the endpoint a certificate with {host} as a subject alternative \
                 name, or use the name that it has in the fleet file",
                names(presented)
            ),
            Wrong::ExpiredContext { not_after, time } => format!(
                "its certificate has expired on {}; give the endpoint a new one (or set this machine's clock, which says {})",
                date(*not_after),
                date(*time)
            ),
            Wrong::NotValidYetContext { not_before, time } => format!(
                "its certificate is not valid before {}; set this machine's clock, which says {}, or give the endpoint another one",
                date(*not_before),
                date(*time)
            ),
            Wrong::InvalidPurpose | Wrong::InvalidPurposeContext { .. } => {
                "its certificate is not meant for a server; give the endpoint one with the extended key usage serverAuth".to_owned()
            }
            // the library keeps these in a box of its own
            Wrong::Other(other) if format!("{other:?}").contains("CaUsedAsEndEntity") => {
                "its certificate is that of an authority (CA:TRUE); give the endpoint one of its own, signed by that authority"
                    .to_owned()
            }
            other => format!("its certificate cannot be used: {other}"),
        }
    }

    /// It does not take ours.
    fn turned_away(&self, alert: Alert) -> String {
        let own = self.files.certificate.display();
        match alert {
            Alert::CertificateRequired | Alert::NoCertificate => {
                "it demands a certificate of the poller, and was shown none; give one with --dnp3-certificate and --dnp3-key"
                    .to_owned()
            }
            Alert::UnknownCA => format!(
                "it does not know the authority that signed the poller's certificate in {own}; add that authority to those which \
                 the endpoint trusts, or use a certificate from one of these"
            ),
            Alert::CertificateExpired => format!(
                "it says that the poller's certificate in {own} has expired; renew that, or set the endpoint's clock"
            ),
            Alert::BadCertificate
            | Alert::CertificateUnknown
            | Alert::UnsupportedCertificate
            | Alert::CertificateRevoked
            | Alert::AccessDenied
            | Alert::DecryptError => format!(
                "it does not accept the poller's certificate in {own} ({alert:?}); see that its authority is one which the endpoint \
                 trusts, that it is valid now, and that it is meant for clients (extended key usage clientAuth)"
            ),
            Alert::HandshakeFailure | Alert::ProtocolVersion | Alert::InsufficientSecurity => {
                format!("{NOTHING_COMMON} ({alert:?})")
            }
            other => format!("it ended TLS with the alert {other:?}"),
        }
    }
}

const NOTHING_COMMON: &str =
    "it and the poller have no way of encryption in common; the poller speaks TLS 1.2 and 1.3";

pub(super) fn refused(words: impl Display) -> io::Error {
    io::Error::new(io::ErrorKind::ConnectionAborted, Refusal(words.to_string()))
}

/// Names as a certificate has them; the library writes `DnsName("pole-7")` and `IpAddress(192.0.2.1)`.
fn names(presented: &[String]) -> String {
    let bare = |name: &String| {
        let inner = name.split_once('(').map_or(name.as_str(), |(_, inner)| inner.trim_end_matches(')'));
        inner.trim_matches('"').to_owned()
    };
    match presented {
        [] => "no host at all (it has no subject alternative name)".to_owned(),
        names => names.iter().map(bare).collect::<Vec<_>>().join(", "),
    }
}

fn date(time: UnixTime) -> String {
    let seconds = i64::try_from(time.as_secs()).unwrap_or(i64::MAX);
    DateTime::from_timestamp(seconds, 0)
        .map_or_else(|| "a day out of range".to_owned(), |t| t.format("%Y-%m-%d %H:%M UTC").to_string())
}
