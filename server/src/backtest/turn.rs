//! One backtest at a time, and how far it has come.

use std::sync::{
    Arc, Mutex, PoisonError,
    atomic::{AtomicUsize, Ordering},
};

/// How far a backtest has come.
#[derive(Debug, Default)]
pub struct Progress {
    what: String,
    done: AtomicUsize,
    of: AtomicUsize,
}

impl Progress {
    /// Of a backtest called so.
    #[must_use]
    pub fn new(what: String) -> Self {
        Self { what, ..Self::default() }
    }

    pub(super) fn begin(&self, of: usize) {
        self.of.store(of, Ordering::Relaxed);
    }

    pub(super) fn step(&self) {
        self.done.fetch_add(1, Ordering::Relaxed);
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let (done, of) = (self.done.load(Ordering::Relaxed), self.of.load(Ordering::Relaxed));
        format!("“{}”, {done} of {of} done", self.what)
    }
}

/// Whose turn it is.
#[derive(Debug, Default)]
pub struct Turn(Mutex<Option<Arc<Progress>>>);

impl Turn {
    /// Takes the turn; given back when what is returned is dropped.
    ///
    /// # Errors
    /// The backtest that runs now.
    pub fn take(self: &Arc<Self>, progress: Arc<Progress>) -> Result<Taken, Arc<Progress>> {
        let mut running = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(running) = running.as_ref() {
            return Err(Arc::clone(running));
        }
        *running = Some(progress);
        Ok(Taken(Arc::clone(self)))
    }
}

/// The turn, while it lasts.
#[derive(Debug)]
pub struct Taken(Arc<Turn>);

impl Drop for Taken {
    fn drop(&mut self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}
