//! What came of it, for the page.

use regulator::conditions::Scope;
use web::{
    backtest::{Counts, EpisodeRow, Form, Order, Outcome, PlaceRow},
    thresholds::with_unit,
    words,
};

use super::Fields;
use crate::backtest::{Ask, Judged, Kind, Part, Report, Totals};

/// A column: its key in the address, its heading, its count.
type Column = (&'static str, &'static str, fn(&Totals) -> usize);

/// Columns that places can be sorted by.
const ORDERS: [Column; 6] = [
    ("place", "Place", |_| 0),
    ("tried", "Tried", |t| t.tried),
    ("in_force", "In force", |t| t.in_force),
    ("real", "Really", |t| t.real),
    ("only_tried", "Only tried", |t| t.only_tried),
    ("only_in_force", "Only in force", |t| t.only_in_force),
];

/// What was asked, in words.
pub(super) fn title(ask: &Ask, form: &Form) -> String {
    let part = form.parts.iter().flat_map(|p| &p.parts).find(|(value, _)| *value == form.part);
    let part = part.map_or("whole fleet", |(_, words)| words.as_str());
    format!("{}, {part}, {} to {}", ask.condition.title(), form.from, form.to)
}

pub(super) fn of(report: &Report, ask: &Ask, form: &Form, fields: &Fields) -> Outcome {
    let counted = |n: usize, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    let kind = if ask.condition.scope() == Scope::Bank { "bank" } else { "regulator" };
    let days = usize::try_from(report.days).unwrap_or(0);
    let readings = i64::try_from(report.totals.readings).unwrap_or(i64::MAX);
    Outcome {
        title: title(ask, form),
        totals: counts(&report.totals),
        days: report.days,
        work: format!(
            "{}, {}, {} readings, in {:.1} s",
            counted(report.places.len(), kind),
            counted(days, "day"),
            words::count(readings),
            report.took.as_secs_f64()
        ),
        cut: report.cut(),
        places: places(&report.places, fields),
        orders: ORDERS.iter().map(|(key, title, _)| order(key, title, fields)).collect(),
        episodes: episodes(report),
        not_listed: report.not_kept(),
        set: links(ask, form),
    }
}

const fn counts(t: &Totals) -> Counts {
    Counts {
        tried: t.tried,
        in_force: t.in_force,
        real: t.real,
        real_tried: t.real_tried,
        only_tried: t.only_tried,
        only_in_force: t.only_in_force,
        both: t.both,
        tried_s: t.tried_s,
        in_force_s: t.in_force_s,
    }
}

fn sorted_by(fields: &Fields) -> &str {
    fields.get("sort").map_or("place", String::as_str)
}

/// In order of place, or by a count, the largest first.
fn places(judged: &[Judged], fields: &Fields) -> Vec<PlaceRow> {
    let mut judged: Vec<&Judged> = judged.iter().collect();
    if let Some((_, _, count)) = ORDERS[1..].iter().find(|(key, ..)| *key == sorted_by(fields)) {
        judged.sort_by_key(|j| std::cmp::Reverse(count(&j.totals)));
    }
    let row = |j: &Judged| PlaceRow { name: j.name.clone(), site_id: j.site_id, counts: counts(&j.totals) };
    judged.into_iter().map(row).collect()
}

fn order(key: &str, title: &'static str, fields: &Fields) -> Order {
    let mut asked: Vec<(&str, &str)> =
        fields.iter().filter(|(k, _)| *k != "sort").map(|(k, v)| (k.as_str(), v.as_str())).collect();
    asked.sort_unstable();
    asked.push(("sort", key));
    let query = serde_urlencoded::to_string(asked).unwrap_or_default();
    let way = if key == "place" { "ascending" } else { "descending" };
    Order {
        title,
        href: format!("/backtest?{query}#h-places"),
        sorted: (sorted_by(fields) == key).then_some(way),
    }
}

fn episodes(report: &Report) -> Vec<EpisodeRow> {
    let row = |e: &crate::backtest::Episode| {
        let place = report.places.get(e.place)?;
        Some(EpisodeRow {
            name: place.name.rsplit(" › ").next().unwrap_or_default().to_owned(),
            site_id: place.site_id,
            raised_at: e.raised_at,
            zone: place.zone,
            returned_at: e.returned_at,
            lasted_s: e.lasted_s,
            kind: e.kind.words(),
            gone: e.kind == Kind::OnlyInForce,
            summary: e.summary.clone(),
            alarm: e.alarm,
        })
    };
    report.episodes.iter().filter_map(row).collect()
}

/// The thresholds' own forms with the tried values in them; a person there sends them or does not.
fn links(ask: &Ask, form: &Form) -> Vec<(String, String)> {
    let scope = match ask.part {
        Part::Substation(_) => "fleet".to_owned(),
        part => part.text(),
    };
    let link = |(name, value): &(String, f64)| {
        let field = form.fields.iter().find(|f| f.parameter.name == name)?;
        let query =
            serde_urlencoded::to_string([("scope", scope.as_str()), ("value", field.typed.as_str())]).ok()?;
        let words =
            format!("{} {}", field.parameter.title.to_lowercase(), with_unit(*value, field.parameter.unit));
        Some((words, format!("/thresholds/{}/{name}?{query}", ask.condition.name())))
    };
    ask.set.iter().filter_map(link).collect()
}
