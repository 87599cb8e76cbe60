//! Takes what the endpoints report, gathers it into batches and sends them on.
//!
//! Reports are gathered several times a second rather than one by one: a poller of thousands of regulators would else be woken
//! thousands of times for nothing.

use std::{sync::Arc, time::Duration};

use chrono::{DateTime, TimeDelta, Utc};
use tokio::{
    sync::mpsc::{self, error::TryRecvError},
    time::{Instant, MissedTickBehavior, interval, timeout},
};

use super::{
    deliver::{Batch, Target, deliver},
    hold::{Hold, Page},
};
use crate::{
    endpoint::{Clock, Receipt, Report},
    metrics::Shared,
};

/// How often reports are gathered and, if there are any, written.
const GATHER: Duration = Duration::from_millis(200);
/// How often a batch is written though there is nothing to write, as a sign of life.
const SIGN_OF_LIFE: Duration = Duration::from_secs(2);
/// Longest time from a measurement to its report: a reading carries the middle of its poll, and a poll of a control
/// whose answers are slow can last seconds.
const REPORTED_WITHIN: TimeDelta = TimeDelta::seconds(5);
/// How long the end may take when the database is away.
const LAST_WORDS: Duration = Duration::from_secs(10);

/// Stores the readings that come through the channel, until every sender is gone and everything is written (or the database
/// has been away for too long at the end). Counts outcomes of polls on the way.
pub async fn run(
    target: Target,
    hold_limit: usize,
    reports: mpsc::Receiver<Report>,
    clock: Arc<Clock>,
    counters: Shared,
) {
    let (to_courier, batches) = mpsc::channel(1);
    let (done, delivered) = mpsc::channel(1);
    let mut courier = tokio::spawn(deliver(target, batches, done, counters.clone()));
    let mut intake = Intake {
        hold: Hold::new(hold_limit),
        reports,
        open: true,
        underway: None,
        receipts: vec![],
        clock,
        gathered_at: None,
        sent_at: None,
        to_courier,
        delivered,
        counters,
    };
    intake.work_while_open().await;
    let rest = timeout(LAST_WORDS, intake.finish()).await;
    let lost = intake.waiting();
    drop(intake);
    if rest.is_err() {
        courier.abort();
        tracing::error!(lost, "stopped while the database was away: readings held in memory are lost");
    }
    // aborted or ended, it has nothing left to say
    drop((&mut courier).await);
}

struct Intake {
    hold: Hold,
    reports: mpsc::Receiver<Report>,
    open: bool,
    /// Readings on their way, and the oldest of them.
    underway: Option<(usize, Option<DateTime<Utc>>)>,
    /// Owed once they are stored.
    receipts: Vec<Receipt>,
    clock: Arc<Clock>,
    /// Everything reported before this instant has been gathered.
    gathered_at: Option<DateTime<Utc>>,
    sent_at: Option<Instant>,
    to_courier: mpsc::Sender<Batch>,
    delivered: mpsc::Receiver<()>,
    counters: Shared,
}

impl Intake {
    async fn work_while_open(&mut self) {
        let mut ticks = interval(GATHER);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        while self.open {
            tokio::select! {
                _ = ticks.tick() => {
                    self.gather();
                    self.send_if_due().await;
                }
                Some(()) = self.delivered.recv() => {
                    self.arrived();
                    if self.hold.page_is_full() {
                        self.send_if_due().await;
                    }
                }
            }
        }
    }

    /// Brings away what is left, and a last sign of life that says so.
    async fn finish(&mut self) {
        loop {
            if self.underway.is_some() {
                self.delivered.recv().await;
                self.arrived();
            }
            let last = self.hold.waiting() == 0;
            self.send().await;
            if last {
                self.delivered.recv().await;
                self.arrived();
                return;
            }
        }
    }

    /// What was underway is stored.
    fn arrived(&mut self) {
        self.underway = None;
        self.receipts.drain(..).for_each(Receipt::stored);
    }

    /// A receipt for everything that came before it.
    fn owe(&mut self, receipt: Receipt) {
        match self.hold.owe(receipt) {
            None => {}
            Some(receipt) if self.underway.is_some() => self.receipts.push(receipt),
            Some(receipt) => receipt.stored(),
        }
    }

    fn waiting(&self) -> usize {
        self.hold.waiting() + self.underway.map_or(0, |(n, _)| n)
    }

    /// Takes every report that is there.
    fn gather(&mut self) {
        let before = self.clock.now();
        let counters = self.counters.clone();
        let mut counters = counters.lock();
        loop {
            match self.reports.try_recv() {
                Ok(Report::Reading { regulator_id, reading }) => self.hold.push(regulator_id, reading),
                Ok(Report::Outcome(outcome)) => counters.note(&outcome),
                Ok(Report::Receipt(receipt)) => self.owe(receipt),
                Ok(Report::Event(event)) => counters.endpoints.note_event(event),
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => {
                    self.open = false;
                    break;
                }
            }
        }
        self.gathered_at = Some(before);
        counters.held = (self.hold.waiting() + self.underway.map_or(0, |(n, _)| n)) as u64;
        counters.given_up_by_hold = self.hold.given_up();
    }

    async fn send_if_due(&mut self) {
        let quiet = self.sent_at.is_none_or(|at| at.elapsed() >= SIGN_OF_LIFE);
        if self.underway.is_none() && (quiet || self.hold.waiting() > 0) {
            self.send().await;
        }
    }

    async fn send(&mut self) {
        let mut page = self.hold.take();
        self.underway =
            Some((page.as_ref().map_or(0, |p| p.readings.len()), page.as_ref().map(|p| p.oldest)));
        if let Some(page) = &mut page {
            self.receipts.append(&mut page.receipts);
        }
        let page = page.unwrap_or_else(|| Page::empty(self.clock.now()));
        let failing = self.counters.lock().endpoints.failing();
        let batch = Batch { page, watermark: self.watermark(), failing };
        self.sent_at = Some(Instant::now());
        // the channel holds one, and one at a time is underway; the courier lives as long as its channel
        drop(self.to_courier.send(batch).await);
    }

    /// Everything measured before this is stored once the batch underway is.
    fn watermark(&self) -> DateTime<Utc> {
        let gathered = self.gathered_at.unwrap_or_else(|| self.clock.now()) - REPORTED_WITHIN;
        self.hold.oldest().map_or(gathered, |oldest| oldest.min(gathered))
    }
}
