//! The settings by which the server reaches people.

use std::{fs, path::PathBuf, time::Duration};

use anyhow::{Context, Result, ensure};
use clap::ValueEnum;
use ipnet::IpNet;
use secrecy::SecretString;
use server::notification::{Cap, Config, Schedule, Smtp, Tls, Webhook};

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "E-mail and webhooks")]
#[group(id = "messages")]
pub(crate) struct Args {
    /// Mail server that takes messages for delivery. Without one, e-mails wait and say so.
    #[arg(long, env = "TAPKEEPER_SMTP_HOST")]
    smtp_host: Option<String>,
    /// Its port; by default what is usual for the kind of protection: 587, 465 or 25.
    #[arg(long, env = "TAPKEEPER_SMTP_PORT")]
    smtp_port: Option<u16>,
    /// How the connection to it is protected.
    #[arg(long, env = "TAPKEEPER_SMTP_TLS", default_value = "starttls")]
    smtp_tls: Protection,
    /// Account on the mail server, if it asks for one.
    #[arg(long, env = "TAPKEEPER_SMTP_USER", requires = "smtp_password_file")]
    smtp_user: Option<String>,
    /// File with the account's password.
    #[arg(long, env = "TAPKEEPER_SMTP_PASSWORD_FILE", requires = "smtp_user")]
    smtp_password_file: Option<PathBuf>,
    /// Who messages come from, as `Tapkeeper <tapkeeper@example.org>`.
    #[arg(long, env = "TAPKEEPER_SMTP_FROM")]
    smtp_from: Option<String>,
    /// PEM file of certificates to trust besides the system's, for a mail server inside the utility.
    #[arg(long, env = "TAPKEEPER_SMTP_CA_FILE")]
    smtp_ca_file: Option<PathBuf>,
    /// Network that webhooks may be sent to though it is not public, as 10.20.0.0/16; only there by http: too. May be repeated.
    #[arg(long, env = "TAPKEEPER_WEBHOOK_ALLOW", value_delimiter = ',')]
    webhook_allow: Vec<IpNet>,
    /// Hours after which a message that cannot be delivered is given up.
    #[arg(long, env = "TAPKEEPER_MESSAGE_GIVE_UP_HOURS", default_value_t = 24)]
    message_give_up_hours: u32,
    /// Most messages that a recipient gets by one way in ten minutes; what is beyond becomes one summary. Webhooks to programs have no such limit.
    #[arg(long, env = "TAPKEEPER_MESSAGE_CAP", default_value_t = Cap::default().messages, value_parser = clap::value_parser!(u16).range(1..))]
    message_cap: u16,
    /// Seconds for which a message under way is kept from other servers unless its server says that it is still at it: by so much a
    /// server that was killed can delay it.
    #[arg(long, env = "TAPKEEPER_MESSAGE_CLAIM_SECONDS", default_value_t = 30, value_parser = clap::value_parser!(u32).range(3..))]
    message_claim_seconds: u32,
}

/// How the connection to the mail server is protected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Protection {
    /// TLS begun by STARTTLS, and nothing without it.
    Starttls,
    /// TLS from the first byte.
    Tls,
    /// None, to a server on this machine only.
    PlainLoopbackOnly,
}

impl Protection {
    fn usual_port(self) -> u16 {
        match self {
            Self::Starttls => 587,
            Self::Tls => 465,
            Self::PlainLoopbackOnly => 25,
        }
    }
}

impl Args {
    /// The settings, complete.
    pub(crate) fn config(self) -> Result<Config> {
        let hours = Duration::from_secs(3600) * self.message_give_up_hours;
        Ok(Config {
            webhook: Webhook { allow: self.webhook_allow.clone(), ..Webhook::default() },
            schedule: Schedule { give_up_after: hours, ..Schedule::default() },
            cap: Cap { messages: self.message_cap, ..Cap::default() },
            claim: Duration::from_secs(u64::from(self.message_claim_seconds)),
            smtp: self.smtp()?,
            ..Config::default()
        })
    }

    fn smtp(self) -> Result<Option<Smtp>> {
        let Some(host) = self.smtp_host else {
            ensure!(self.smtp_from.is_none(), "a sender without a mail server: set --smtp-host as well");
            return Ok(None);
        };
        let from = self.smtp_from.context("the mail server needs a sender: set --smtp-from")?;
        let password = self.smtp_password_file.as_deref().map(|path| {
            fs::read_to_string(path)
                .with_context(|| format!("reading the mail server's password in {}", path.display()))
        });
        let tls = match self.smtp_tls {
            Protection::Starttls => Tls::Required,
            Protection::Tls => Tls::Wrapped,
            Protection::PlainLoopbackOnly => Tls::PlainLoopbackOnly,
        };
        let port = self.smtp_port.unwrap_or(self.smtp_tls.usual_port());
        Ok(Some(Smtp {
            user: self.smtp_user,
            password: password
                .transpose()?
                .map(|p| SecretString::from(p.trim_end_matches(['\r', '\n']).to_owned())),
            ca_file: self.smtp_ca_file,
            ..Smtp::new(&host, port, tls, &from)
        }))
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn config(line: &[&str]) -> Result<Config> {
        Line::try_parse_from([&["tapkeeper"], line].concat())?.args.config()
    }

    #[test]
    fn a_mail_server_needs_only_its_name_and_a_sender() {
        let smtp = config(&["--smtp-host", "mail.example.org", "--smtp-from", "t@example.org"])
            .unwrap()
            .smtp
            .unwrap();
        assert_eq!((smtp.port, smtp.tls), (587, Tls::Required));
        assert!(config(&[]).unwrap().smtp.is_none());
    }

    #[test]
    fn half_a_setting_is_refused() {
        assert!(config(&["--smtp-host", "mail.example.org"]).is_err());
        assert!(config(&["--smtp-from", "t@example.org"]).is_err());
        assert!(config(&["--smtp-host", "m", "--smtp-from", "t@example.org", "--smtp-user", "u"]).is_err());
        assert!(config(&["--webhook-allow", "10.0.0.0/99"]).is_err());
        assert!(config(&["--message-cap", "0"]).is_err());
    }

    #[test]
    fn the_password_is_read_without_its_line_end_and_never_shown() {
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), "secret word\n").unwrap();
        let path = file.path().to_str().unwrap();
        let line = [
            "--smtp-host",
            "m",
            "--smtp-from",
            "t@example.org",
            "--smtp-user",
            "u",
            "--smtp-password-file",
            path,
        ];
        let config = config(&line).unwrap();
        let debug = format!("{config:?}");
        assert!(!debug.contains("secret word"), "{debug}");
        let password = config.smtp.unwrap().password.unwrap();
        assert_eq!(secrecy::ExposeSecret::expose_secret(&password), "secret word");
    }
}
