//! Asks a running role whether it is well, for service managers and containers.

use std::{process::ExitCode, time::Duration};

use anyhow::{Context, Result, bail};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};

const PATIENCE: Duration = Duration::from_secs(2);

#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// http://HOST:PORT/PATH must answer with success; tcp://HOST:PORT must accept a connection.
    address: String,
}

pub(crate) async fn run(args: Args) -> Result<ExitCode> {
    timeout(PATIENCE, ask(&args.address)).await.context("no answer in time")??;
    Ok(ExitCode::SUCCESS)
}

async fn ask(address: &str) -> Result<()> {
    if let Some(place) = address.strip_prefix("tcp://") {
        TcpStream::connect(place).await.with_context(|| format!("connecting to {place}"))?;
        return Ok(());
    }
    let Some(rest) = address.strip_prefix("http://") else {
        bail!("the address must begin with http:// or tcp://")
    };
    let (place, path) = rest.split_once('/').unwrap_or((rest, ""));
    let mut stream = TcpStream::connect(place).await.with_context(|| format!("connecting to {place}"))?;
    let request = format!("GET /{path} HTTP/1.0\r\nHost: {place}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await?;
    let mut head = [0_u8; 12];
    stream.read_exact(&mut head).await.context("reading the answer")?;
    match head.split(|b| *b == b' ').nth(1) {
        Some([b'2', ..]) => Ok(()),
        _ => bail!("answered {}", String::from_utf8_lossy(&head)),
    }
}
