//! The task of one DNP3 endpoint: connects, lets the master run, and connects again.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;
use std::sync::Arc;
use std::time::Duration;

use dnp3::link::Address as LinkAddress;
use dnp3::master::{Channel, ChannelConfig, Now, Pace};
use dnp3::net::{Ended, drive};
use dnp3::objects::Timestamp as Wire;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep};

use super::connect::connect;
use super::control::Control;
use super::host::Desk;
use super::refusal::Refusal;
use crate::endpoint::{Backoff, Context, EndpointPlan, Failure};
use crate::modbus::ErrorKind;

/// First wait after a failed connection.
const RECONNECT: Duration = Duration::from_secs(1);
/// A connection that lasted so long was a good one.
const GOOD: Duration = Duration::from_secs(30);

/// Where a DNP3 endpoint is.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    pub(crate) tls: bool,
    pub(crate) host: String,
    pub(crate) port: u16,
}

/// Polls the controls behind an endpoint for ever. What cannot be polled because it is configured wrongly is reported once.
pub(crate) async fn run(plan: EndpointPlan, place: Place, context: Context) {
    let (stored, mut storing) = mpsc::unbounded_channel();
    let mut desk = Desk {
        endpoint_id: plan.endpoint_id,
        controls: vec![],
        reports: context.reports.clone(),
        clock: Arc::clone(&context.clock),
        stored,
        turned_away: false,
    };
    let master = plan.units.first().map_or(1, |unit| unit.link.master);
    let phase = phase(plan.endpoint_id);
    let count = u32::try_from(plan.units.len()).unwrap_or(u32::MAX).max(1);
    let mut associations = vec![];
    for (i, unit) in (0..).zip(plan.units) {
        let (number, interval) = (unit.unit, unit.interval);
        match Control::new(unit) {
            Ok(control) => {
                let mut config = control.config().clone();
                // spread over the interval: endpoints by chance, the controls of one endpoint evenly
                config.phase = interval.mul_f64(phase) + interval / count * i;
                associations.push(config);
                desk.controls.push(control);
            }
            Err(text) => misconfigured(&desk, Some(number), text),
        }
    }
    if place.tls && context.tls.is_none() {
        let what = "this endpoint is reached over TLS, and the poller has no certificate for that; start it with \
                    --dnp3-authority, --dnp3-certificate and --dnp3-key";
        misconfigured(&desk, None, what.to_owned());
        return;
    }
    if associations.is_empty() {
        return;
    }
    let start = Instant::now();
    let clock = Arc::clone(&context.clock);
    let now = move || Now {
        monotonic: start.elapsed(),
        wall: Wire::from_millis(u64::try_from(clock.now().timestamp_millis()).unwrap_or(0)),
    };
    let master = LinkAddress::device(master).unwrap_or(LinkAddress::from_wire(1));
    let mut channel = Channel::new(ChannelConfig::new(master), associations, Duration::ZERO);
    let mut reconnect = Backoff::new(RECONNECT);
    loop {
        let tls = context.tls.as_ref().filter(|_| place.tls);
        let failure = match connect(&place.host, place.port, tls, context.timeouts.connect).await {
            Err(error) => unconnected(&place, &error),
            Ok(stream) => {
                let began = Instant::now();
                let ended = drive(stream, &mut channel, &mut desk, &now, &mut storing).await;
                desk.turned_away = turned_away(&ended).is_some();
                channel.disconnected(&mut desk);
                if began.elapsed() >= GOOD {
                    reconnect.succeed();
                }
                over(&place, &ended)
            }
        };
        desk.outcome(None, Err(failure), Pace::default());
        sleep(reconnect.fail(rand::random())).await;
    }
}

fn unconnected(place: &Place, error: &io::Error) -> Failure {
    let text = format!("cannot connect to {}:{}: {error}", place.host, place.port);
    Failure { kind: ErrorKind::Connect, text }
}

/// In TLS 1.3 word that we are not wanted comes after the handshake.
fn turned_away(ended: &Ended) -> Option<&io::Error> {
    match ended {
        Ended::Failed(error) if Refusal::of(error).is_some() => Some(error),
        _ => None,
    }
}

fn over(place: &Place, ended: &Ended) -> Failure {
    if let Some(error) = turned_away(ended) {
        return unconnected(place, error);
    }
    let kind = match ended {
        Ended::Closed(_) => ErrorKind::Malformed,
        Ended::ByPeer | Ended::Failed(_) => ErrorKind::Closed,
    };
    Failure { kind, text: ended.to_string() }
}

fn misconfigured(desk: &Desk, unit: Option<u16>, text: String) {
    tracing::error!(endpoint_id = desk.endpoint_id, unit, "{text}");
    desk.outcome(unit, Err(Failure { kind: ErrorKind::Configuration, text }), Pace::default());
}

/// A number from 0 to 1 that belongs to an endpoint.
fn phase(endpoint_id: i32) -> f64 {
    let mut hasher = DefaultHasher::new();
    endpoint_id.hash(&mut hasher);
    #[allow(clippy::cast_precision_loss, reason = "any fraction does")]
    let fraction = (hasher.finish() >> 11) as f64 / (1_u64 << 53) as f64;
    fraction
}
