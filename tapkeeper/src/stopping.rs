//! Ctrl-C and the service manager's signal, as a token that every task of a role watches.

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// A token that is cancelled at the first interrupt or terminate signal. At the second, the process ends at once.
pub(crate) fn on_signal() -> CancellationToken {
    let token = CancellationToken::new();
    let stop = token.clone();
    tokio::spawn(async move {
        wait().await;
        tracing::info!("stopping");
        stop.cancel();
        wait().await;
        std::process::exit(130);
    });
    token
}

async fn wait() {
    let interrupt = signal(SignalKind::interrupt());
    let terminate = signal(SignalKind::terminate());
    match (interrupt, terminate) {
        (Ok(mut interrupt), Ok(mut terminate)) => {
            tokio::select! { _ = interrupt.recv() => {}, _ = terminate.recv() => {} }
        }
        // Without handlers the signals' own action, the end of the process, stays in force.
        _ => std::future::pending().await,
    }
}
