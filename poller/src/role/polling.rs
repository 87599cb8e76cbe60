//! The endpoints' tasks, kept in step with the inventory: only what changed is started anew.

use std::{
    collections::{HashMap, HashSet},
    sync::Arc,
};

use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::inventory::{Entry, Inventory, Source};
use crate::{
    endpoint::{self, Clock, Context, ReportSender},
    metrics::Shared,
    modbus::Timeouts,
    outstation::Tls,
};

/// All tasks that poll.
pub(super) struct Polling {
    tasks: HashMap<i32, Task>,
    sender: ReportSender,
    clock: Arc<Clock>,
    counters: Shared,
    stop: CancellationToken,
    tls: Option<Tls>,
}

struct Task {
    made_of: Vec<Source>,
    stop: CancellationToken,
    handle: JoinHandle<()>,
}

impl Task {
    async fn end(self) {
        self.stop.cancel();
        if let Err(error) = self.handle.await {
            tracing::error!("an endpoint's task ended badly: {error}");
        }
    }
}

impl Polling {
    pub(super) fn new(
        sender: ReportSender,
        clock: Arc<Clock>,
        counters: Shared,
        stop: CancellationToken,
        tls: Option<Tls>,
    ) -> Self {
        Self { tasks: HashMap::new(), sender, clock, counters, stop, tls }
    }

    /// Starts what is new, ends what is gone, and starts anew what changed. What an ended task has reported is stored all the
    /// same.
    pub(super) async fn follow(&mut self, inventory: &Inventory) {
        let same = |task: &Task, id: &i32| {
            inventory.endpoints.get(id).is_some_and(|entry| entry.made_of == task.made_of)
                && !task.handle.is_finished()
        };
        let over: Vec<i32> =
            self.tasks.iter().filter(|(id, task)| !same(task, id)).map(|(id, _)| *id).collect();
        for id in over {
            if let Some(task) = self.tasks.remove(&id) {
                task.end().await;
            }
        }
        let units: HashSet<(i32, u16)> = inventory
            .endpoints
            .iter()
            .flat_map(|(id, entry)| entry.plan.units.iter().map(move |unit| (*id, unit.unit)))
            .collect();
        {
            let mut counters = self.counters.lock();
            counters.endpoints.keep(&units);
            counters.endpoint_count = inventory.endpoints.len();
            counters.regulator_count = inventory.regulators;
        }
        for (id, entry) in &inventory.endpoints {
            if !self.tasks.contains_key(id) {
                let task = self.start(entry);
                self.tasks.insert(*id, task);
            }
        }
    }

    fn start(&self, entry: &Entry) -> Task {
        let stop = self.stop.child_token();
        let context = Context {
            timeouts: Timeouts::default(),
            reports: self.sender.clone(),
            clock: Arc::clone(&self.clock),
            stop: stop.clone(),
            tls: self.tls.clone(),
        };
        let handle = tokio::spawn(endpoint::run(entry.plan.clone(), context));
        Task { made_of: entry.made_of.clone(), stop, handle }
    }

    /// Reports that found the channel full.
    pub(super) fn count_given_up(&self) {
        self.counters.lock().given_up_by_channel = self.sender.given_up();
    }

    /// Ends all tasks, and with them the channel of their reports.
    pub(super) async fn end(mut self) {
        self.stop.cancel();
        for (_, task) in self.tasks.drain() {
            task.end().await;
        }
    }
}
