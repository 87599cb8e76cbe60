//! Alarms: the list, one alarm, and what people do to them.

mod deeds;
mod find;
mod groups;
mod list;
mod messages;
#[cfg(test)]
mod million;
mod one;
mod readings;
mod several;
mod shown;
#[cfg(test)]
mod tests;

pub(crate) use groups::open as open_groups;
pub(crate) use list::measure as measure_list;

use axum::{
    Router,
    routing::{get, post},
};

pub(in crate::pages) use find::alarms as find;
pub(in crate::pages) use list::counts;
pub(in crate::pages) use one::what;
pub(in crate::pages) use shown::{Shown, rows, shown};

use crate::app::App;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/alarms", get(list::show))
        .route("/alarms/acknowledge", post(several::acknowledge))
        .route("/alarms/{id}", get(one::show))
        .route("/alarms/{id}/acknowledge", post(deeds::acknowledge))
        .route("/alarms/{id}/shelve", post(deeds::shelve))
        .route("/alarms/{id}/unshelve", post(deeds::unshelve))
        .route("/alarms/{id}/take-out", post(deeds::take_out))
        .route("/alarms/{id}/put-back", post(deeds::put_back))
        .route("/alarms/{id}/notes", post(deeds::note))
}
