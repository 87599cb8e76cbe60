//! The task of one endpoint: polls its units on their schedules, one at a time, over one connection.

use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;

use super::backoff::Backoff;
use super::report::{Answered, Failure, Outcome, ReportSender};
use super::schedule::Schedule;
use super::unit::{Ended, Unit};
use super::{Address, Clock, EndpointPlan, Report};
use crate::modbus::{self, Client, ErrorKind, Timeouts};
use crate::outstation::{self, Tls};

/// First wait after a failed connection.
const RECONNECT: Duration = Duration::from_secs(1);
/// Silent units together may use one part in this many of the endpoint's time, so that those which answer keep their pace.
const SILENT_SHARE: u32 = 4;

/// What all endpoint tasks share.
#[derive(Clone)]
#[allow(missing_debug_implementations, reason = "the clock holds a function")]
pub struct Context {
    /// How long to wait for what.
    pub timeouts: Timeouts,
    /// Where reports go.
    pub reports: ReportSender,
    /// The time that readings carry.
    pub clock: Arc<Clock>,
    /// Ends the tasks.
    pub stop: CancellationToken,
    /// What to show to endpoints that are reached over TLS.
    pub tls: Option<Tls>,
}

/// Polls an endpoint until stopped. What cannot be polled because it is configured wrongly is reported once, and the rest is polled.
pub async fn run(plan: EndpointPlan, context: Context) {
    let stop = context.stop.clone();
    let polling = async move {
        match plan.address.parse() {
            Ok(Address::Modbus(address)) => {
                if let Some(mut task) = Task::new(plan, address, context) {
                    task.poll_for_ever().await;
                }
            }
            Ok(Address::Dnp3 { tls, host, port }) => {
                outstation::run(plan, outstation::Place { tls, host, port }, context).await;
            }
            Err(error) => report_misconfigured(&context, plan.endpoint_id, None, error.to_string()),
        }
    };
    // Dropping a poll half-way drops its connection with it.
    let _stopped: Option<()> = stop.run_until_cancelled_owned(polling).await;
}

struct Task {
    endpoint_id: i32,
    client: Client,
    units: Vec<Unit>,
    reconnect: Backoff,
    /// No silent unit is asked before this.
    silent_after: Instant,
    context: Context,
}

impl Task {
    /// The task, if there is anything to poll.
    fn new(plan: EndpointPlan, address: modbus::Address, context: Context) -> Option<Self> {
        let endpoint_id = plan.endpoint_id;
        let start = Instant::now();
        let count = plan.units.len();
        let mut units = Vec::with_capacity(count);
        for (i, unit) in plan.units.into_iter().enumerate() {
            let number = unit.unit;
            match Unit::new(unit.clone(), Schedule::spread(start, endpoint_id, unit.interval, i, count)) {
                Ok(unit) => units.push(unit),
                Err(failure) => report_misconfigured(&context, endpoint_id, Some(number), failure.text),
            }
        }
        let client = Client::new(address, context.timeouts);
        let reconnect = Backoff::new(RECONNECT);
        (!units.is_empty()).then_some(Self {
            endpoint_id,
            client,
            units,
            reconnect,
            silent_after: start,
            context,
        })
    }

    async fn poll_for_ever(&mut self) {
        let mut timer = pin!(sleep_until(Instant::now()));
        loop {
            let now = Instant::now();
            match self.due(now) {
                Ok(index) => self.poll(index, now).await,
                Err(next) => {
                    timer.as_mut().reset(next);
                    timer.as_mut().await;
                }
            }
        }
    }

    /// The unit to poll now, or when to look again. Units that answer come first, in the order of their due times; then silent ones,
    /// the longest left alone first.
    fn due(&mut self, now: Instant) -> Result<usize, Instant> {
        for unit in self.units.iter_mut().filter(|u| u.backoff.is_failing() && u.schedule.next() <= now) {
            unit.schedule.defer_to(self.silent_after);
        }
        let order = |unit: &Unit| {
            let silent = unit.backoff.is_failing();
            (silent, if silent { unit.last_polled } else { Some(unit.schedule.next()) })
        };
        let ready = (0..self.units.len())
            .filter(|i| self.units[*i].schedule.next() <= now)
            .min_by_key(|i| order(&self.units[*i]));
        ready.ok_or_else(|| {
            let next = self.units.iter().map(|u| u.schedule.next()).min();
            // there is at least one unit; a task without any is not made
            next.unwrap_or(now + Duration::from_secs(1))
        })
    }

    async fn poll(&mut self, index: usize, now: Instant) {
        let unit = &mut self.units[index];
        let lateness = unit.schedule.begin(now);
        unit.last_polled = Some(now);
        let ended = unit.poll(&mut self.client, &self.context.clock, &self.context.reports).await;
        let over = Instant::now();
        unit.schedule.finish(over);
        let number = u16::from(unit.unit);
        let missed = unit.schedule.take_missed();
        let (unit, result) = self.note(index, ended, now, over).map_or_else(
            |(unit, failure)| (unit.then_some(number), Err(failure)),
            |answered| (Some(number), Ok(answered)),
        );
        let at = self.context.clock.now();
        let outcome = Outcome { endpoint_id: self.endpoint_id, unit, at, result, lateness, missed };
        self.context.reports.send(Report::Outcome(outcome));
    }

    /// Draws the consequences of a poll. A failure says whether it is the unit's, or the whole endpoint's.
    fn note(
        &mut self,
        index: usize,
        ended: Ended,
        began: Instant,
        over: Instant,
    ) -> Result<Answered, (bool, Failure)> {
        if let Ended::Unreachable(failure) = ended {
            let wait = self.reconnect.fail(rand::random());
            for unit in &mut self.units {
                unit.schedule.pause_until(over + wait);
            }
            return Err((false, failure));
        }
        self.reconnect.succeed();
        let unit = &mut self.units[index];
        match ended {
            Ended::Answered(answered) => {
                unit.backoff.succeed();
                Ok(answered)
            }
            Ended::Refused(failure) => {
                unit.backoff.succeed();
                Err((true, failure))
            }
            Ended::Silent(failure) | Ended::Unreachable(failure) => {
                // Half an interval less, so that one lost answer does not cost the next due time too.
                let wait = unit.backoff.fail(rand::random()).saturating_sub(unit.interval / 2);
                unit.schedule.pause_until(began + wait);
                self.silent_after = over + (over - began) * (SILENT_SHARE - 1);
                Err((true, failure))
            }
        }
    }
}

fn report_misconfigured(context: &Context, endpoint_id: i32, unit: Option<u16>, text: String) {
    tracing::error!(endpoint_id, unit, "{text}");
    let outcome = Outcome {
        endpoint_id,
        unit,
        at: context.clock.now(),
        result: Err(Failure { kind: ErrorKind::Configuration, text }),
        lateness: Duration::ZERO,
        missed: 0,
    };
    context.reports.send(Report::Outcome(outcome));
}
