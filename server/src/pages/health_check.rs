//! Whether this server can do its work, for a container's health check. It says no more than that, to anyone.

use std::time::Duration;

use axum::{Router, extract::State, http::StatusCode, routing::get};

use crate::app::App;

/// The checker's own patience is commonly a few seconds.
const PATIENCE: Duration = Duration::from_secs(2);

pub(super) fn routes() -> Router<App> {
    Router::new().route("/healthz", get(check))
}

async fn check(State(app): State<App>) -> (StatusCode, &'static str) {
    let asked = tokio::time::timeout(PATIENCE, sqlx::query("select 1").execute(&app.pool)).await;
    match asked {
        Ok(Ok(_)) => (StatusCode::OK, "ok\n"),
        Ok(Err(_)) | Err(_) => (StatusCode::SERVICE_UNAVAILABLE, "not ok\n"),
    }
}

#[cfg(test)]
mod tests {
    use axum::http::StatusCode;

    use crate::testing::{Browser, TestApp};

    #[tokio::test]
    async fn it_says_whether_the_database_answers_and_nothing_else() {
        let test = TestApp::new().await;
        let nobody = Browser::default();
        let answer = test.get(&nobody, "/healthz").await;
        assert_eq!((answer.status, answer.body.as_str()), (StatusCode::OK, "ok\n"));
        test.app.pool.close().await;
        assert_eq!(test.get(&nobody, "/healthz").await.status, StatusCode::SERVICE_UNAVAILABLE);
    }
}
