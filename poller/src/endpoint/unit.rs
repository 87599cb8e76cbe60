//! One control while it is polled: its requests, its regulators, and what it did before.

use std::sync::Arc;
use std::time::Duration;

use chrono::TimeDelta;
use regulator::Timestamp;
use tokio::time::Instant;

use super::backoff::Backoff;
use super::report::{Answered, Failure, ReportSender};
use super::schedule::Schedule;
use super::{Clock, RegulatorPlan, Report, UnitPlan};
use crate::modbus::{Client, Data, ErrorKind, ModbusError};
use crate::profile::{Profile, Protocol, ReadPlan, Validator, decode};

/// One control behind an endpoint.
pub(super) struct Unit {
    /// As requests name it: at most 255.
    pub(super) unit: u8,
    pub(super) interval: Duration,
    pub(super) schedule: Schedule,
    /// Failing while the unit itself is silent or speaks nonsense.
    pub(super) backoff: Backoff,
    pub(super) last_polled: Option<Instant>,
    profile: Arc<Profile>,
    plan: ReadPlan,
    regulators: Vec<(RegulatorPlan, Validator)>,
    /// When the regulators were last measured: the next reading is later.
    measured_at: Option<Timestamp>,
    answers: Vec<Option<Data>>,
}

/// How one poll of a unit ended.
#[derive(Debug)]
pub(super) enum Ended {
    /// Every request was answered.
    Answered(Answered),
    /// The device is there, and refused something.
    Refused(Failure),
    /// The unit is silent or speaks nonsense.
    Silent(Failure),
    /// The endpoint does not accept connections.
    Unreachable(Failure),
}

impl Unit {
    /// The unit ready to be polled, or why it cannot be.
    pub(super) fn new(plan: UnitPlan, schedule: Schedule) -> Result<Self, Failure> {
        let wrong = |text| Failure { kind: ErrorKind::Configuration, text };
        let unit = u8::try_from(plan.unit).map_err(|_| {
            wrong(format!(
                "unit {} is not a Modbus unit identifier; write one from 0 to 255 in the inventory, or a dnp3 endpoint",
                plan.unit
            ))
        })?;
        let profile = plan.profile.map_err(|errors| wrong(format!("wrong profile: {errors}")))?;
        if plan.regulators.is_empty() {
            return Err(wrong(format!("unit {} has no regulators", plan.unit)));
        }
        if profile.protocol() != Protocol::Modbus {
            let spoken = profile.protocol().title();
            let text = format!(
                "the profile of unit {unit} is for {spoken}, but its endpoint speaks Modbus; correct the profile or the endpoint in the inventory"
            );
            return Err(wrong(text));
        }
        let positions: Vec<u8> = plan.regulators.iter().map(|r| r.position).collect();
        let unmapped = positions.iter().find(|p| !profile.positions().contains(p));
        if let Some(position) = unmapped {
            let text = format!(
                "the profile of unit {} has no points for position {position}; correct the position in the inventory, or add points",
                plan.unit
            );
            return Err(wrong(text));
        }
        let regulators = plan.regulators.into_iter().map(|r| {
            let validator = Validator::new(&r.nameplate);
            (r, validator)
        });
        Ok(Self {
            unit,
            interval: plan.interval,
            schedule,
            backoff: Backoff::new(plan.interval),
            last_polled: None,
            plan: ReadPlan::new(&profile, &positions),
            profile,
            regulators: regulators.collect(),
            measured_at: None,
            answers: vec![],
        })
    }

    /// Asks every request of the plan once and reports what was read.
    pub(super) async fn poll(&mut self, client: &mut Client, clock: &Clock, reports: &ReportSender) -> Ended {
        let began = Instant::now();
        let (ended, answered) = self.ask(client).await;
        if answered {
            let now = clock.now();
            let measured_at = self.middle(now, began.elapsed());
            self.report(measured_at, reports);
        }
        ended
    }

    /// The answers, in the order of the plan, and whether the device said anything at all. A silent unit is not asked again
    /// in this poll: that would only cost its neighbours time.
    async fn ask(&mut self, client: &mut Client) -> (Ended, bool) {
        self.answers.clear();
        let (mut slowest, mut refused, mut spoke) = (Duration::ZERO, None, false);
        for request in &self.plan.requests {
            let sent = Instant::now();
            match client.read(self.unit, *request).await {
                Ok(data) => {
                    self.answers.push(Some(data));
                    slowest = slowest.max(sent.elapsed());
                    spoke = true;
                }
                Err(ModbusError::Exception { request, exception }) if !exception.means_silence() => {
                    self.answers.push(None);
                    spoke = true;
                    let error = ModbusError::Exception { request, exception };
                    refused.get_or_insert_with(|| failure(&error));
                }
                Err(error) => {
                    let failure = failure(&error);
                    let ended = match error {
                        ModbusError::Connect { .. } => Ended::Unreachable(failure),
                        _ => Ended::Silent(failure),
                    };
                    return (ended, spoke);
                }
            }
        }
        match refused {
            Some(failure) => (Ended::Refused(failure), spoke),
            None => (Ended::Answered(Answered { latency: slowest }), spoke),
        }
    }

    /// The middle of a poll that took so long and ends now; later than the one before.
    fn middle(&mut self, now: Timestamp, took: Duration) -> Timestamp {
        let half = TimeDelta::milliseconds(i64::try_from(took.as_millis() / 2).unwrap_or(0));
        let measured = now - half;
        let earliest = self.measured_at.map(|before| before + TimeDelta::milliseconds(1));
        let measured = earliest.map_or(measured, |earliest| measured.max(earliest));
        self.measured_at = Some(measured);
        measured
    }

    fn report(&mut self, measured_at: Timestamp, reports: &ReportSender) {
        for (regulator, validator) in &mut self.regulators {
            let mut reading = decode::reading(
                &self.profile,
                &self.plan,
                &self.answers,
                regulator.position,
                &regulator.nameplate,
                measured_at,
            );
            validator.judge(&mut reading);
            reports.send(Report::Reading { regulator_id: regulator.regulator_id, reading });
        }
    }
}

fn failure(error: &ModbusError) -> Failure {
    Failure { kind: error.kind(), text: error.text() }
}
