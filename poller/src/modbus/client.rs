//! A client that reads, and that never believes what it should not.
//!
//! Measured of the client library underneath: after one late answer every later call on the connection fails, or over RTU
//! framing gets the late answer as its own; short answers pass; a length of 65535 hangs. So each call has its own timer, the
//! connection is dropped on any failure but an exception, and [`super::wire`] checks every byte both ways.

use std::time::Duration;

use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until, timeout};
use tokio_modbus::client::{Client as _, Context, rtu, tcp};
use tokio_modbus::{ProtocolError, Response, Slave, slave::SlaveContext as _};

use super::due::WireFault;
use super::wire::Wire;
use super::{Address, Exception, Framing, ModbusError, ReadRequest};

/// How long to wait for what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timeouts {
    /// For a connection to be made, name look-up included.
    pub connect: Duration,
    /// For the whole answer to one request.
    pub response: Duration,
    /// After a time-out or a wrong answer over RTU framing: for late bytes to run out, before the next request. Such frames have no
    /// transaction number, so an answer later than this cannot be told from the next one's.
    pub quiet: Duration,
}

impl Default for Timeouts {
    fn default() -> Self {
        Self {
            connect: Duration::from_secs(3),
            response: Duration::from_secs(2),
            quiet: Duration::from_secs(1),
        }
    }
}

/// What a device answered to a [`ReadRequest`]: exactly as many items as were asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Data {
    /// Register contents.
    Registers(Vec<u16>),
    /// States of coils or discrete inputs.
    Bits(Vec<bool>),
}

impl Data {
    /// How many items there are.
    fn len(&self) -> usize {
        match self {
            Self::Registers(words) => words.len(),
            Self::Bits(bits) => bits.len(),
        }
    }
}

/// A client of one endpoint, for all units behind it. It connects when first needed and again after every drop.
#[allow(missing_debug_implementations, reason = "the library's context has none")]
pub struct Client {
    address: Address,
    timeouts: Timeouts,
    context: Option<Context>,
    /// No request may leave before this.
    quiet_until: Option<Instant>,
}

impl Client {
    /// A client that has not connected yet.
    #[must_use]
    pub const fn new(address: Address, timeouts: Timeouts) -> Self {
        Self { address, timeouts, context: None, quiet_until: None }
    }

    /// Whether there is a connection, as far as is known.
    #[must_use]
    pub const fn is_connected(&self) -> bool {
        self.context.is_some()
    }

    /// Makes a connection, unless there is one.
    ///
    /// # Errors
    /// [`ModbusError::Connect`] when it fails or takes longer than the connect time-out.
    pub async fn connect(&mut self) -> Result<(), ModbusError> {
        if self.context.is_some() {
            return Ok(());
        }
        let wire = open(&self.address, self.timeouts, self.quiet_until)
            .await
            .map_err(|source| ModbusError::Connect { address: self.address.to_string(), source })?;
        let any_unit = Slave::tcp_device();
        self.context = Some(match self.address.framing {
            Framing::Tcp => tcp::attach_slave(wire, any_unit),
            Framing::RtuOverTcp => rtu::attach_slave(wire, any_unit),
        });
        Ok(())
    }

    /// Drops the connection.
    pub fn disconnect(&mut self) {
        self.context = None;
    }

    /// Reads from one unit, connecting first if need be.
    ///
    /// # Errors
    /// [`ModbusError::Exception`] when the device refuses: the connection stays. Everything else drops the connection.
    pub async fn read(&mut self, unit: u8, request: ReadRequest) -> Result<Data, ModbusError> {
        let fresh = self.context.is_none();
        let result = self.attempt(unit, request).await;
        match result {
            // Devices end idle connections as they like; nothing was asked on this one, so ask on another.
            Err(Failed::EndedIdle) if !fresh => {
                self.attempt(unit, request).await.map_err(|f| f.explain(request))
            }
            other => other.map_err(|f| f.explain(request)),
        }
    }

    async fn attempt(&mut self, unit: u8, request: ReadRequest) -> Result<Data, Failed> {
        self.connect().await.map_err(Failed::Told)?;
        // The connection is put back only when it is known to be sound, also when this future is dropped half-way.
        let Some(mut context) = self.context.take() else { return Err(Failed::EndedIdle) };
        context.set_slave(Slave(unit));
        let answer = timeout(self.timeouts.response, context.call(request.to_library())).await;
        let result = match answer {
            Ok(Ok(answer)) => data(request, answer),
            Ok(Err(error)) => Err(Failed::from_library(error)),
            Err(_) => Err(Failed::Told(ModbusError::Timeout {
                request,
                millis: self.timeouts.response.as_millis(),
            })),
        };
        match &result {
            Ok(_) | Err(Failed::Told(ModbusError::Exception { .. })) => {
                self.context = Some(context);
                self.quiet_until = None;
            }
            // nothing was asked, so nothing can come late
            Err(Failed::EndedIdle) => {}
            Err(_) if self.address.framing == Framing::RtuOverTcp => {
                self.quiet_until = Some(Instant::now() + self.timeouts.quiet);
            }
            Err(_) => {}
        }
        result
    }
}

/// A fresh connection, quiet if it has to be.
async fn open(address: &Address, timeouts: Timeouts, quiet_until: Option<Instant>) -> std::io::Result<Wire> {
    let connecting = TcpStream::connect((address.host.as_str(), address.port));
    let late = |_| std::io::Error::new(std::io::ErrorKind::TimedOut, "no connection in time");
    let stream = timeout(timeouts.connect, connecting).await.map_err(late)??;
    stream.set_nodelay(true)?;
    let wire = Wire::new(stream, address.framing);
    if let Some(quiet_until) = quiet_until {
        sleep_until(quiet_until).await;
        let discarded = wire.discard_waiting()?;
        if discarded > 0 {
            tracing::warn!(%address, discarded, "late bytes discarded");
        }
    }
    Ok(wire)
}

/// A failure before it is known which request to name.
enum Failed {
    Told(ModbusError),
    EndedIdle,
    Ended(std::io::Error),
    Wrong(String),
}

impl Failed {
    fn from_library(error: tokio_modbus::Error) -> Self {
        match error {
            tokio_modbus::Error::Transport(error) => match WireFault::of(&error) {
                Some(WireFault::EndedIdle) => Self::EndedIdle,
                Some(WireFault::EndedEarly(_)) => Self::Ended(error),
                Some(fault) => Self::Wrong(fault.to_string()),
                None if error.kind() == std::io::ErrorKind::InvalidData => Self::Wrong(error.to_string()),
                None => Self::Ended(error),
            },
            // the wire has seen to both, so these cannot happen
            tokio_modbus::Error::Protocol(ProtocolError::HeaderMismatch { message, .. }) => {
                Self::Wrong(message)
            }
            tokio_modbus::Error::Protocol(error) => Self::Wrong(error.to_string()),
        }
    }

    fn explain(self, request: ReadRequest) -> ModbusError {
        match self {
            Self::Told(error) => error,
            Self::EndedIdle => ModbusError::Closed { request, source: None },
            Self::Ended(source) => ModbusError::Closed { request, source: Some(source) },
            Self::Wrong(what) => ModbusError::Malformed { request, what },
        }
    }
}

/// The answer as data, if it is of the kind and length asked for.
fn data(request: ReadRequest, answer: Result<Response, tokio_modbus::ExceptionCode>) -> Result<Data, Failed> {
    let response = answer.map_err(|code| {
        Failed::Told(ModbusError::Exception { request, exception: Exception(code.into()) })
    })?;
    let count = usize::from(request.count());
    let data = match (response, request.table().function()) {
        (Response::ReadCoils(mut bits), 1) | (Response::ReadDiscreteInputs(mut bits), 2) => {
            // the library unpacks whole bytes
            bits.truncate(count);
            Data::Bits(bits)
        }
        (Response::ReadHoldingRegisters(words), 3) | (Response::ReadInputRegisters(words), 4) => {
            Data::Registers(words)
        }
        (other, _) => return Err(Failed::Wrong(format!("function {} answered", other.function_code()))),
    };
    if data.len() == count {
        Ok(data)
    } else {
        Err(Failed::Wrong(format!("{} items answered, {count} were asked", data.len())))
    }
}
