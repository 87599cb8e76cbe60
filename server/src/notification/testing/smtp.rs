//! A mail server that does as it is told, on a real socket: takes, refuses, breaks off, says nothing, speaks TLS.

use std::{
    collections::VecDeque,
    path::PathBuf,
    sync::{Arc, Mutex},
};

use rustls::{ServerConfig, pki_types::PrivateKeyDer};
use tokio::{
    io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader},
    net::TcpListener,
};
use tokio_rustls::TlsAcceptor;

use crate::notification::{Smtp, Tls};

/// What the server does with one connection.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Act {
    /// Takes the message.
    Take,
    /// Says this instead of welcoming.
    Greet(&'static str),
    /// Says this to the recipient.
    Rcpt(&'static str),
    /// Says this when the text is complete.
    End(&'static str),
    /// Closes the connection amid the text.
    BreakOffInText,
    /// Takes the message and closes the connection without a word.
    TakeAndBreakOff,
    /// Never answers DATA.
    SilentAtData,
    /// Never answers the end of the text.
    SilentAtEnd,
    /// Refuses the account.
    RefuseAccount,
}

/// What is offered to clients.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Offer {
    Plain,
    StartTls,
    Wrapped,
}

#[derive(Default)]
struct Shared {
    acts: VecDeque<Act>,
    messages: Vec<String>,
    /// Every line that came, the text of messages aside; those that came over TLS begin with `tls `.
    lines: Vec<String>,
}

/// The running server; it ends with the test's runtime.
pub(crate) struct SmtpPeer {
    port: u16,
    offer: Offer,
    shared: Arc<Mutex<Shared>>,
    certificate: tempfile::TempDir,
}

impl SmtpPeer {
    /// Starts one that treats successive connections by `acts` and takes every message after those.
    pub(crate) async fn start(offer: Offer, acts: &[Act]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let shared =
            Arc::new(Mutex::new(Shared { acts: acts.iter().copied().collect(), ..Shared::default() }));
        let certificate = tempfile::tempdir().unwrap();
        let tls = acceptor(&certificate.path().join("ca.pem"));
        let state = Arc::clone(&shared);
        tokio::spawn(async move {
            while let Ok((socket, _)) = listener.accept().await {
                let act = state.lock().unwrap().acts.pop_front().unwrap_or(Act::Take);
                let visit = Visit { act, offer, tls: tls.clone(), shared: Arc::clone(&state) };
                tokio::spawn(async move {
                    if offer == Offer::Wrapped {
                        if let Ok(stream) = visit.tls.accept(socket).await {
                            drop(visit.serve(stream, "tls ").await);
                        }
                    } else if let Ok(Some(socket)) = visit.serve(socket, "").await
                        && let Ok(stream) = visit.tls.accept(socket).await
                    {
                        drop(visit.serve(stream, "tls ").await);
                    }
                });
            }
        });
        Self { port, offer, shared, certificate }
    }

    /// Settings by which it is reached and trusted.
    pub(crate) fn settings(&self) -> Smtp {
        let tls = match self.offer {
            Offer::Plain => Tls::PlainLoopbackOnly,
            Offer::StartTls => Tls::Required,
            Offer::Wrapped => Tls::Wrapped,
        };
        let mut smtp = Smtp::new("127.0.0.1", self.port, tls, "Tapkeeper <tapkeeper@utility.example>");
        smtp.ca_file = Some(self.ca_file());
        smtp
    }

    pub(crate) fn ca_file(&self) -> PathBuf {
        self.certificate.path().join("ca.pem")
    }

    pub(crate) fn messages(&self) -> Vec<String> {
        self.shared.lock().unwrap().messages.clone()
    }

    pub(crate) fn lines(&self) -> Vec<String> {
        self.shared.lock().unwrap().lines.clone()
    }

    /// Waits until a client has sent this command, for at most ten seconds.
    pub(crate) async fn until_asked(&self, command: &str) {
        for _ in 0..1000 {
            if self.lines().iter().any(|l| l.ends_with(command)) {
                return;
            }
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
        panic!("nobody sent {command}: {:?}", self.lines());
    }

    /// The value of a header in each message taken, in order.
    pub(crate) fn headers(&self, name: &str) -> Vec<String> {
        let prefix = format!("{name}: ");
        let of = |m: &String| m.lines().find_map(|l| l.strip_prefix(&prefix)).unwrap_or_default().to_owned();
        self.messages().iter().map(of).collect()
    }
}

struct Visit {
    act: Act,
    offer: Offer,
    tls: TlsAcceptor,
    shared: Arc<Mutex<Shared>>,
}

impl Visit {
    /// Serves until the client leaves; hands the stream back when it is to become TLS.
    async fn serve<S>(&self, stream: S, mark: &str) -> std::io::Result<Option<S>>
    where
        S: AsyncRead + AsyncWrite + Unpin,
    {
        let mut stream = BufReader::new(stream);
        if mark.is_empty() || self.offer == Offer::Wrapped {
            let greeting = if let Act::Greet(greeting) = self.act { greeting } else { "220 peer" };
            say(&mut stream, greeting).await?;
        }
        let mut line = String::new();
        loop {
            line.clear();
            if stream.read_line(&mut line).await? == 0 {
                return Ok(None);
            }
            let command = line.trim_end();
            self.shared.lock().unwrap().lines.push(format!("{mark}{command}"));
            match command.split([' ', ':']).next().unwrap_or_default() {
                "EHLO" if self.offer == Offer::StartTls && mark.is_empty() => {
                    say(&mut stream, "250-peer\r\n250 STARTTLS").await?;
                }
                "EHLO" => say(&mut stream, "250-peer\r\n250 AUTH PLAIN").await?,
                "STARTTLS" => {
                    say(&mut stream, "220 go").await?;
                    return Ok(Some(stream.into_inner()));
                }
                "AUTH" if matches!(self.act, Act::RefuseAccount) => {
                    say(&mut stream, "535 5.7.8 who?").await?;
                }
                "AUTH" => say(&mut stream, "235 welcome").await?,
                "RCPT" => {
                    say(&mut stream, if let Act::Rcpt(reply) = self.act { reply } else { "250 ok" }).await?;
                }
                "DATA" if matches!(self.act, Act::SilentAtData) => std::future::pending().await,
                "DATA" => {
                    say(&mut stream, "354 go on").await?;
                    let Some(reply) = self.take_text(&mut stream).await? else { return Ok(None) };
                    say(&mut stream, reply).await?;
                }
                "QUIT" => say(&mut stream, "221 bye").await?,
                _ => say(&mut stream, "250 ok").await?,
            }
        }
    }

    /// Reads a text as RFC 5321 section 4.5.2 has it and says what to answer; nothing to break off.
    async fn take_text<S>(&self, stream: &mut BufReader<S>) -> std::io::Result<Option<&'static str>>
    where
        S: AsyncRead + Unpin,
    {
        let mut text = String::new();
        let mut line = String::new();
        loop {
            line.clear();
            if stream.read_line(&mut line).await? == 0 || matches!(self.act, Act::BreakOffInText) {
                return Ok(None);
            }
            if line == ".\r\n" {
                break;
            }
            text.push_str(line.strip_prefix('.').unwrap_or(&line));
        }
        if matches!(self.act, Act::SilentAtEnd) {
            self.shared.lock().unwrap().lines.push("END".into());
            std::future::pending::<()>().await;
        }
        if let Act::End(reply) = self.act {
            return Ok(Some(reply));
        }
        self.shared.lock().unwrap().messages.push(text);
        Ok((!matches!(self.act, Act::TakeAndBreakOff)).then_some("250 2.0.0 kept as 42"))
    }
}

async fn say<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut BufReader<S>,
    reply: &str,
) -> std::io::Result<()> {
    stream.write_all(format!("{reply}\r\n").as_bytes()).await?;
    stream.flush().await
}

/// TLS under a certificate of its own making, which is written to `path` for clients that should trust it.
fn acceptor(path: &std::path::Path) -> TlsAcceptor {
    let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    std::fs::write(path, made.cert.pem()).unwrap();
    let key = PrivateKeyDer::Pkcs8(made.signing_key.serialize_der().into());
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .unwrap();
    TlsAcceptor::from(Arc::new(config))
}
