//! Finds out who asks, once a request.

use std::time::{Duration, Instant};

use axum::{
    extract::{Request, State},
    middleware::Next,
    response::Response,
};

use crate::{
    app::App,
    error::is_away,
    people::{Identity, cookie, session},
};

/// A page that can be shown without the database shall not wait long for it.
const PATIENCE: Duration = Duration::from_secs(2);

/// Puts an [`Identity`] into the request.
pub(super) async fn identify(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let mut identity = match cookie::secret(request.headers(), &app.config.public_url) {
        Some(secret) if is_personal(request.uri().path()) => {
            look_up(&app, &secret, request.method().is_safe()).await
        }
        _ => Identity::Nobody,
    };
    if let Identity::Known(signed_in) = &mut identity {
        signed_in.told = app.on_call.told();
    }
    request.extensions_mut().insert(identity);
    next.run(request).await
}

/// Files and checks are the same for everybody, so no session is looked up for them.
fn is_personal(path: &str) -> bool {
    !path.starts_with("/assets/") && path != "/healthz" && path != "/metrics"
}

/// While the database is away, a session that was good a short while ago may still look, but change nothing.
async fn look_up(app: &App, secret: &str, only_looks: bool) -> Identity {
    let token_hash = crate::people::digest(secret);
    let asked = tokio::time::timeout(PATIENCE, async {
        session::find(&mut *app.pool.acquire().await?, secret).await
    })
    .await;
    match asked {
        Ok(Ok(Some(signed_in))) => {
            app.gate.recent.good(&signed_in, Instant::now());
            Identity::Known(Box::new(signed_in))
        }
        Ok(Ok(None)) => {
            app.gate.recent.gone(&token_hash);
            Identity::Nobody
        }
        Ok(Err(error)) if !is_away(&error) => {
            tracing::error!("a session could not be looked up: {error}");
            Identity::Unclear
        }
        Ok(Err(_)) | Err(_) => app
            .gate
            .recent
            .look_up(&token_hash, Instant::now())
            .filter(|_| only_looks)
            .map_or(Identity::Unclear, |signed_in| Identity::Known(Box::new(signed_in))),
    }
}
