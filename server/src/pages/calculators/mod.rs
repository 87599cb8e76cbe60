//! The calculators: line-drop compensator, taps and ratios, voltage unbalance. All computing is `regulator`'s.

mod field;
mod line_drop;
mod taps;
#[cfg(test)]
mod tests;
mod unbalance;

use std::collections::BTreeMap;

use axum::{
    Router,
    extract::Query,
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::get,
};
use tower_http::compression::CompressionLayer;
use web::{
    calculators::{Calculator, CalculatorsPage, Worked},
    frame::Section,
};

use self::field::{Field, Read};
use super::html;
use crate::{app::App, error::WebError, people::SignedIn};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/calculators", get(show)).layer(CompressionLayer::new())
}

/// One calculator: its fields, and what it makes of them.
struct Kind {
    of: &'static str,
    title: &'static str,
    about: &'static str,
    example: (&'static str, &'static str),
    fields: &'static [Field],
    /// The result; an error is why there is none, in a sentence, and may be beside a field by [`Read::refuse`].
    compute: fn(&mut Read<'_>) -> Result<Worked, String>,
}

static KINDS: [&Kind; 5] =
    [&line_drop::SETTINGS, &line_drop::LINE, &line_drop::RELAY, &taps::TAPS, &unbalance::UNBALANCE];

async fn show(
    signed_in: SignedIn,
    Query(typed): Query<BTreeMap<String, String>>,
) -> Result<Response, WebError> {
    let of = typed.get("of").map_or("", String::as_str);
    if !of.is_empty() && !KINDS.iter().any(|kind| kind.of == of) {
        return Err(WebError::NotFound(format!("calculator “{of}”")));
    }
    let mut status = StatusCode::OK;
    let calculators = KINDS.iter().map(|kind| {
        let asked = kind.of == of;
        let nothing = BTreeMap::new();
        let calculator = answer(kind, if asked { &typed } else { &nothing }, asked);
        if asked && calculator.result.is_none() {
            status = StatusCode::BAD_REQUEST;
        }
        calculator
    });
    let calculators = calculators.collect();
    let page = CalculatorsPage { frame: signed_in.frame("Calculators", Section::Calculators), calculators };
    Ok((status, html(&page)?).into_response())
}

fn answer(kind: &Kind, typed: &BTreeMap<String, String>, asked: bool) -> Calculator {
    let mut read = Read::new(kind.fields, typed);
    let outcome = asked.then(|| (kind.compute)(&mut read));
    // A refused field says more than what followed from it.
    let refused = read.is_refused();
    let (result, why_none) = match outcome {
        Some(Ok(result)) if !refused => (Some(result), None),
        Some(Err(why)) if !refused => (None, Some(why)),
        _ => (None, None),
    };
    Calculator {
        of: kind.of,
        title: kind.title,
        about: kind.about,
        fields: read.into_inputs(),
        example: kind.example,
        why_none,
        result,
    }
}
