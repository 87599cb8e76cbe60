//! The workers: one lane a way, each claiming what is due, a bounded number under way, one at a time for each recipient.

use std::{collections::HashMap, sync::Arc, time::Duration};

use sqlx::{PgPool, postgres::PgListener};
use tokio::{
    sync::Notify,
    task::{Id, JoinError, JoinSet},
    time::{Instant, MissedTickBehavior, interval, sleep, timeout_at},
};
use tokio_util::sync::CancellationToken;

use super::{
    Way,
    claim::claim,
    config::Config,
    courier::{Courier, Outcome, SetupError},
    failure::Failure,
    outbox::CHANNEL,
    queue::{self, Claim, Next},
};
use crate::watchdog;

/// Said on e-mails while no mail server is configured.
pub(crate) const NO_MAIL_SERVER: &str = "no mail server is configured: set one (see the SMTP settings of `tapkeeper serve`) and restart the server";

/// Delivers what is in the outbox. Several servers may do this at once.
///
/// # What is promised
/// Every message goes out at least once, or is given up with the reason on record. It goes out twice only if this process
/// is killed, or the connection lost, between the receiver's taking the message and our commit of that fact, the one moment that no
/// protocol can make whole. For e-mail it is made as short as can be: all is recorded beforehand in an open transaction, and only its
/// commit is left. A message sent again bears the same Message-ID or webhook id, by which mail systems and receivers recognise it.
#[derive(Clone)]
pub struct Notifier {
    courier: Arc<Courier>,
    config: Arc<Config>,
}

impl Notifier {
    /// Gets ready. Links in messages begin with `public_url`.
    ///
    /// # Errors
    /// When the settings are of no use.
    pub fn new(config: Config, public_url: &str) -> Result<Self, SetupError> {
        Ok(Self { courier: Arc::new(Courier::new(&config, public_url)?), config: Arc::new(config) })
    }

    /// Delivers until told to stop.
    pub async fn run(self, pool: PgPool, stop: CancellationToken) {
        let lanes = Way::ALL.map(|way| self.lane(&pool, way));
        let bells = lanes.each_ref().map(|lane| Arc::clone(&lane.wake));
        let running = futures_util::future::join_all(lanes.map(|lane| lane.run(&stop)));
        tokio::join!(listen(&pool, &bells, &stop), running);
    }

    fn lane(&self, pool: &PgPool, way: Way) -> Lane {
        Lane {
            way,
            at_once: if way.is_mail() { self.config.emails_at_once } else { self.config.webhooks_at_once },
            pool: pool.clone(),
            courier: Arc::clone(&self.courier),
            config: Arc::clone(&self.config),
            wake: Arc::new(Notify::new()),
            under_way: HashMap::new(),
            tasks: JoinSet::new(),
        }
    }
}

/// Wakes the lanes when the outbox says that it has something. Losing the connection costs speed only: the lanes also look by
/// themselves.
async fn listen(pool: &PgPool, bells: &[Arc<Notify>], stop: &CancellationToken) {
    let listening = async {
        loop {
            if let Ok(mut listener) = PgListener::connect_with(pool).await
                && listener.listen(CHANNEL).await.is_ok()
            {
                while listener.recv().await.is_ok() {
                    bells.iter().for_each(|b| b.notify_one());
                }
            }
            sleep(Duration::from_secs(1)).await;
        }
    };
    stop.run_until_cancelled(listening).await;
}

struct Lane {
    way: Way,
    at_once: usize,
    pool: PgPool,
    courier: Arc<Courier>,
    config: Arc<Config>,
    wake: Arc<Notify>,
    under_way: HashMap<Id, Claim>,
    tasks: JoinSet<()>,
}

impl Lane {
    async fn run(mut self, stop: &CancellationToken) {
        let mut renewal = interval((self.config.claim / 3).max(Duration::from_millis(10)));
        renewal.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut healthy = true;
        while !stop.is_cancelled() {
            let begun = self.begin_due().await;
            if let Err(error) = &begun
                && healthy
            {
                tracing::warn!(way = self.way.name(), "the outbox cannot be read, trying on: {error}");
            }
            healthy = begun.is_ok();
            tokio::select! {
                () = stop.cancelled() => {}
                () = self.wake.notified() => {}
                () = sleep(self.config.poll_interval) => {}
                Some(done) = self.tasks.join_next_with_id() => self.forget(done),
                _ = renewal.tick() => self.renew().await,
            }
        }
        self.finish().await;
    }

    /// Claims what is due, as far as there is room, and sets out with it.
    async fn begin_due(&mut self) -> sqlx::Result<()> {
        let mut conn = self.pool.acquire().await?;
        watchdog::alive(&mut conn, watchdog::Part::Delivery).await?;
        if self.way.is_mail() && self.courier.mailer.is_none() {
            return queue::hold_back(&mut conn, self.way, NO_MAIL_SERVER, self.config.schedule.give_up_after)
                .await
                .map(drop);
        }
        let room = self.at_once.saturating_sub(self.under_way.len());
        if room == 0 {
            return Ok(());
        }
        let busy: Vec<i32> = self.under_way.values().map(|c| c.recipient_id).collect();
        let claims = claim(&mut conn, self.way, room, &busy, self.config.claim, &self.config.cap).await?;
        drop(conn);
        for claim in claims {
            let job = Job {
                way: self.way,
                pool: self.pool.clone(),
                courier: Arc::clone(&self.courier),
                config: Arc::clone(&self.config),
                claim: claim.clone(),
            };
            let task = self.tasks.spawn(job.run());
            self.under_way.insert(task.id(), claim);
        }
        Ok(())
    }

    /// Keeps the claims of what is under way. If that fails, each message checks its claim before it is handed over.
    async fn renew(&self) {
        if self.under_way.is_empty() {
            return;
        }
        let claims: Vec<Claim> = self.under_way.values().cloned().collect();
        let renewed =
            async { queue::renew(&mut *self.pool.acquire().await?, &claims, self.config.claim).await };
        if let Err(error) = renewed.await {
            tracing::debug!(way = self.way.name(), "claims not renewed: {error}");
        }
    }

    fn forget(&mut self, done: Result<(Id, ()), JoinError>) {
        let id = match done {
            Ok((id, ())) => id,
            Err(error) => {
                tracing::error!(way = self.way.name(), "a delivery failed beyond its own care: {error}");
                error.id()
            }
        };
        self.under_way.remove(&id);
    }

    /// Lets what is under way come to its end, within the grace given. What does not is claimed again later by whoever is there.
    async fn finish(mut self) {
        let end = Instant::now() + self.config.grace;
        while let Ok(Some(_)) = timeout_at(end, self.tasks.join_next()).await {}
        self.tasks.shutdown().await;
    }
}

/// One message on its way.
struct Job {
    way: Way,
    pool: PgPool,
    courier: Arc<Courier>,
    config: Arc<Config>,
    claim: Claim,
}

impl Job {
    async fn run(self) {
        let (id, attempt, way) = (self.claim.id, self.claim.attempt, self.way.name());
        match self.courier.attempt(&self.pool, self.way, &self.claim).await {
            Outcome::Sent => {}
            Outcome::SentUnrecorded(detail) => self.record_sent(&detail).await,
            Outcome::Failed(failure) => {
                tracing::warn!(notification = id, attempt, way, "not delivered: {failure}");
                self.record_failed(&failure).await;
            }
            Outcome::ClaimLost => {
                tracing::warn!(notification = id, attempt, way, "another server has taken this message over");
            }
        }
    }

    /// Insists: as long as this is not recorded, the message could be sent again.
    async fn record_sent(&self, detail: &str) {
        loop {
            let recorded =
                async { queue::record_sent(&mut *self.pool.acquire().await?, &self.claim, detail).await };
            if recorded.await.is_ok() {
                return;
            }
            sleep(Duration::from_millis(250)).await;
        }
    }

    /// Tries once: if this is not recorded the claim lapses, and the message is due again.
    async fn record_failed(&self, failure: &Failure) {
        let next = match failure {
            Failure::Permanent(_) => Next::GiveUp,
            Failure::Passing { retry_after, .. } => {
                let schedule = &self.config.schedule;
                let delay = schedule.delay(self.claim.attempt, *retry_after, rand::random());
                Next::Retry { delay, give_up_after: schedule.give_up_after }
            }
        };
        let recorded = async {
            queue::record_failed(&mut *self.pool.acquire().await?, &self.claim, &failure.to_string(), next)
                .await
        };
        if let Err(error) = recorded.await {
            tracing::warn!(notification = self.claim.id, "the failed attempt is not recorded: {error}");
        }
    }
}
