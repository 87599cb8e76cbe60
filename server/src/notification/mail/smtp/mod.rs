//! Brings a letter to the mail server, one step at a time, each with its own deadline.
//!
//! The hand-over is a step of its own ([`Ready::hand_over`]), so that the caller can make sure of its claim and its database right
//! before it, and record the outcome right after it, before the farewell.

use std::{fmt, fs, future::Future, time::Duration};

use lettre::{
    address::Envelope,
    message::Mailbox,
    transport::smtp::{
        Error,
        authentication::{Credentials, DEFAULT_MECHANISMS},
        client::{AsyncSmtpConnection, Certificate, TlsParameters},
        commands::{Data, Mail, Rcpt},
        extension::{ClientId, Extension, MailBodyParameter, MailParameter},
    },
};
use secrecy::ExposeSecret;

use crate::notification::{
    config::{Smtp, Tls},
    failure::{Failure, chain},
};

/// What is wrong with the settings of the mail server.
#[derive(Debug, thiserror::Error)]
pub enum SmtpSettingsError {
    /// The sender is not an address.
    #[error("the sender `{from}` is not an e-mail address (write it as `Name <name@example.org>`)")]
    From {
        /// What was given.
        from: String,
        /// Why not.
        source: lettre::address::AddressError,
    },
    /// The file of certificates cannot be read.
    #[error("reading the certificates in {path}")]
    CaFile {
        /// Which file.
        path: String,
        /// Why not.
        source: std::io::Error,
    },
    /// TLS cannot be set up.
    #[error("preparing TLS for the mail server {host}")]
    Tls {
        /// Which server.
        host: String,
        /// Why not.
        source: Error,
    },
    /// A user without a password, or a password without a user.
    #[error("the mail server's user and password go together: one of them is missing")]
    HalfAnAccount,
}

/// Knows the mail server.
#[derive(Clone)]
pub(crate) struct Mailer {
    smtp: Smtp,
    tls: Option<TlsParameters>,
    credentials: Option<Credentials>,
    pub(crate) from: Mailbox,
}

impl Mailer {
    pub(crate) fn new(smtp: Smtp) -> Result<Self, SmtpSettingsError> {
        let from = smtp
            .from
            .parse()
            .map_err(|source| SmtpSettingsError::From { from: smtp.from.clone(), source })?;
        let credentials = match (&smtp.user, &smtp.password) {
            (Some(user), Some(password)) => {
                Some(Credentials::new(user.clone(), password.expose_secret().to_owned()))
            }
            (None, None) => None,
            _ => return Err(SmtpSettingsError::HalfAnAccount),
        };
        let tls = (smtp.tls != Tls::PlainLoopbackOnly).then(|| tls_parameters(&smtp)).transpose()?;
        Ok(Self { smtp, tls, credentials, from })
    }

    /// Reaches the server and goes as far as its readiness to take the message's text.
    pub(crate) async fn open(&self, envelope: &Envelope, bytes: &[u8]) -> Result<Ready, Failure> {
        let mut connection = self.connect().await?;
        let limit = self.smtp.step_timeout;
        let mail = Mail::new(envelope.from().cloned(), parameters(&connection, envelope, bytes)?);
        step("the sender", limit, Blame::Server, connection.command(mail)).await?;
        for to in envelope.to() {
            let rcpt = Rcpt::new(to.clone(), Vec::new());
            step("the recipient", limit, Blame::Message, connection.command(rcpt)).await?;
        }
        step("DATA", limit, Blame::Message, connection.command(Data)).await?;
        Ok(Ready { connection, limit: self.smtp.hand_over_timeout })
    }

    async fn connect(&self) -> Result<AsyncSmtpConnection, Failure> {
        let (limit, hello) = (self.smtp.step_timeout, ClientId::default());
        let addresses = self.addresses().await?;
        let wrapped = self.tls.clone().filter(|_| self.smtp.tls == Tls::Wrapped);
        let connecting = AsyncSmtpConnection::connect_tokio1(&*addresses, Some(limit), &hello, wrapped, None);
        let mut connection = step("connecting", limit * 2, Blame::Server, connecting).await?;
        if self.smtp.tls == Tls::Required
            && let Some(tls) = self.tls.clone()
        {
            step("STARTTLS", limit, Blame::Server, connection.starttls(tls, &hello)).await?;
        }
        if let Some(credentials) = &self.credentials {
            step("signing in", limit, Blame::Server, connection.auth(DEFAULT_MECHANISMS, credentials))
                .await?;
        }
        Ok(connection)
    }

    async fn addresses(&self) -> Result<Vec<std::net::SocketAddr>, Failure> {
        let (host, port) = (self.smtp.host.as_str(), self.smtp.port);
        let looking = tokio::time::timeout(self.smtp.step_timeout, tokio::net::lookup_host((host, port)));
        let found: Vec<_> = match looking.await {
            Err(_) => {
                return Err(Failure::passing(format!("looking up the mail server {host} took too long")));
            }
            Ok(Err(e)) => return Err(Failure::passing(format!("looking up the mail server {host}: {e}"))),
            Ok(Ok(found)) => found.collect(),
        };
        if self.smtp.tls == Tls::PlainLoopbackOnly && !found.iter().all(|a| a.ip().is_loopback()) {
            return Err(Failure::passing(format!(
                "the mail server {host} is not on this machine: set it to use STARTTLS or TLS"
            )));
        }
        Ok(found)
    }
}

/// A mail server that waits for the text of a message.
pub(crate) struct Ready {
    connection: AsyncSmtpConnection,
    limit: Duration,
}

impl Ready {
    /// Hands the text over. When this says that it is done, the message is the server's; when it fails for want of an answer,
    /// nobody knows, and the message is sent again under the same Message-ID.
    pub(crate) async fn hand_over(mut self, bytes: &[u8]) -> Result<Farewell, Failure> {
        let text = String::from_utf8_lossy(bytes);
        let reply =
            step("the message", self.limit, Blame::Message, self.connection.command(Text(&text))).await?;
        let reply = reply.message().collect::<Vec<_>>().join(" ");
        Ok(Farewell { connection: self.connection, reply })
    }
}

/// A message's text as it goes over the wire, with its end. In one piece, unlike the library's own way of sending it: the end
/// on its own would wait in the sender's kernel for the server's delayed acknowledgement of the rest, 40 ms in which a
/// killed process's message still goes out.
struct Text<'a>(&'a str);

impl fmt::Display for Text<'_> {
    /// Doubles the dot that a line begins with (RFC 5321 section 4.5.2) and adds the line with the single one.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for line in self.0.strip_suffix("\r\n").unwrap_or(self.0).split("\r\n") {
            if line.starts_with('.') {
                out.write_str(".")?;
            }
            out.write_str(line)?;
            out.write_str("\r\n")?;
        }
        out.write_str(".\r\n")
    }
}

/// A server that has taken the message.
pub(crate) struct Farewell {
    connection: AsyncSmtpConnection,
    /// What it said, often the name under which it keeps the message.
    pub(crate) reply: String,
}

impl Farewell {
    /// Takes leave. What the server answers does not matter any more.
    pub(crate) async fn quit(mut self) {
        let bye = self.connection.quit();
        drop(tokio::time::timeout(Duration::from_secs(5), bye).await);
    }
}

fn tls_parameters(smtp: &Smtp) -> Result<TlsParameters, SmtpSettingsError> {
    let failed = |source| SmtpSettingsError::Tls { host: smtp.host.clone(), source };
    let mut builder = TlsParameters::builder(smtp.host.clone());
    if let Some(path) = &smtp.ca_file {
        let pem = fs::read(path)
            .map_err(|source| SmtpSettingsError::CaFile { path: path.display().to_string(), source })?;
        builder = builder.add_root_certificate(Certificate::from_pem(&pem).map_err(failed)?);
    }
    builder.build().map_err(failed)
}

fn parameters(
    connection: &AsyncSmtpConnection,
    envelope: &Envelope,
    bytes: &[u8],
) -> Result<Vec<MailParameter>, Failure> {
    let ascii = bytes.is_ascii()
        && envelope.to().iter().chain(envelope.from()).all(|a| AsRef::<str>::as_ref(a).is_ascii());
    if ascii {
        return Ok(Vec::new());
    }
    // Names and bodies are encoded down to seven bits, so only an address can need more.
    let info = connection.server_info();
    if !info.supports_feature(Extension::SmtpUtfEight) || !info.supports_feature(Extension::EightBitMime) {
        return Err(Failure::permanent(
            "the address has letters outside ASCII, which the mail server does not take (no SMTPUTF8)",
        ));
    }
    Ok(vec![MailParameter::SmtpUtfEight, MailParameter::Body(MailBodyParameter::EightBitMime)])
}

/// Whose fault a permanent refusal at a step is. The server's or the settings' will be mended, and messages wait for
/// that; the message's or its recipient's will not.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Blame {
    Server,
    Message,
}

async fn step<T>(
    what: &str,
    limit: Duration,
    blame: Blame,
    doing: impl Future<Output = Result<T, Error>>,
) -> Result<T, Failure> {
    match tokio::time::timeout(limit, doing).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) if error.is_permanent() && blame == Blame::Message => {
            Err(Failure::permanent(format!("the mail server refused {what}: {}", chain(&error))))
        }
        Ok(Err(error)) => Err(Failure::passing(format!("mail server, {what}: {}", chain(&error)))),
        Err(_) => {
            Err(Failure::passing(format!("mail server, {what}: no answer within {} s", limit.as_secs_f64())))
        }
    }
}

#[cfg(test)]
mod tests;
