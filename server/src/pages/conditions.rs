//! The catalogue of conditions: what each means, what to do, and the values it is judged by.

use axum::{
    Router,
    extract::{Path, State},
    response::Html,
    routing::get,
};
use regulator::conditions::Condition;
use web::{
    conditions::{ConditionPage, ConditionsPage},
    duration,
    frame::Section,
};

use super::{html, thresholds};
use crate::{app::App, error::WebError, people::SignedIn};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/conditions", get(show_all)).route("/conditions/{name}", get(show_one))
}

async fn show_all(signed_in: SignedIn) -> Result<Html<String>, WebError> {
    let mut conditions: Vec<Condition> = Condition::all().collect();
    conditions.sort_by_key(|c| (std::cmp::Reverse(c.priority()), c.respond_within()));
    html(&ConditionsPage { frame: signed_in.frame("Conditions", Section::Conditions), conditions })
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(name): Path<String>,
) -> Result<Html<String>, WebError> {
    let condition =
        Condition::from_name(&name).ok_or_else(|| WebError::NotFound(format!("condition “{name}”")))?;
    let mut db = app.pool.acquire().await?;
    let rule = sqlx::query!(
        "select again_after_s, shelf_s from alarm_rule where priority = $1",
        condition.priority().level()
    )
    .fetch_one(&mut *db)
    .await?;
    html(&ConditionPage {
        frame: signed_in.frame(condition.title(), Section::Conditions),
        condition,
        rows: thresholds::rows(&mut db, condition).await?,
        again_after: rule.again_after_s.map(|s| duration::text(s.into())),
        shelf: duration::text(rule.shelf_s.into()),
        hides: Condition::all()
            .filter(|c| c.suppressed_by().iter().any(|silence| silence.parent == condition))
            .collect(),
    })
}
