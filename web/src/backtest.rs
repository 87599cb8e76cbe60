//! The backtest page: a form, and what a condition would have raised.

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    conditions::{Condition, Parameter},
};

use crate::{
    board::number,
    duration,
    frame::Frame,
    thresholds::{range, with_unit},
    words,
};

/// One value of the condition.
#[derive(Debug, Clone)]
pub struct Field {
    /// Of which parameter.
    pub parameter: &'static Parameter,
    /// As typed, or as it is in force at the chosen place.
    pub typed: String,
    /// In force at the chosen place.
    pub in_force: f64,
    /// Why what was typed cannot be.
    pub fault: Option<String>,
}

impl Field {
    fn label(&self) -> String {
        let unit = self.parameter.unit;
        let unit = if unit.is_empty() || unit == "s" { String::new() } else { format!(" ({unit})") };
        format!("{}{unit}", self.parameter.title)
    }

    fn hint(&self) -> String {
        format!("in force {}; {}", with_unit(self.in_force, self.parameter.unit), range(self.parameter))
    }
}

/// Parts of the fleet of one kind to choose from.
#[derive(Debug, Clone)]
pub struct Parts {
    /// The kind, in words.
    pub title: &'static str,
    /// Value and words.
    pub parts: Vec<(String, String)>,
}

/// The form.
#[derive(Debug, Clone)]
pub struct Form {
    /// Which condition.
    pub condition: Condition,
    /// Part of the fleet, as forms carry it.
    pub part: String,
    /// What there is to choose from, beside the fleet.
    pub parts: Vec<Parts>,
    /// First day.
    pub from: String,
    /// Last day.
    pub to: String,
    /// The condition's values.
    pub fields: Vec<Field>,
    /// Why it cannot be run, for the form as a whole.
    pub fault: Option<String>,
}

/// Counts of one regulator or bank, or of all.
#[derive(Debug, Clone, Default)]
pub struct Counts {
    /// Raised by the values tried, by those in force, and really.
    pub tried: usize,
    /// By the values in force.
    pub in_force: usize,
    /// Alarms that really were raised.
    pub real: usize,
    /// Of the real ones, those that the tried values raise too.
    pub real_tried: usize,
    /// By the tried values alone.
    pub only_tried: usize,
    /// By those in force alone.
    pub only_in_force: usize,
    /// Events of both.
    pub both: usize,
    /// How long it was true with the tried values, seconds.
    pub tried_s: f64,
    /// And with those in force.
    pub in_force_s: f64,
}

impl Counts {
    fn span(&self, seconds: &f64) -> String {
        duration::text(seconds.round())
    }
}

/// One regulator or bank.
#[derive(Debug, Clone)]
pub struct PlaceRow {
    /// Its name.
    pub name: String,
    /// Its site.
    pub site_id: i32,
    /// Its counts.
    pub counts: Counts,
}

/// One episode.
#[derive(Debug, Clone)]
pub struct EpisodeRow {
    /// Which regulator or bank.
    pub name: String,
    /// Its site.
    pub site_id: i32,
    /// When.
    pub raised_at: Timestamp,
    /// The site's zone.
    pub zone: Tz,
    /// Until when.
    pub returned_at: Option<Timestamp>,
    /// How long, seconds.
    pub lasted_s: f64,
    /// By which values, in words.
    pub kind: &'static str,
    /// By the values in force alone: what the tried ones would pass over.
    pub gone: bool,
    /// The numbers.
    pub summary: String,
    /// The alarm that really was raised.
    pub alarm: Option<i64>,
}

impl EpisodeRow {
    fn length(&self) -> String {
        words::span(chrono::TimeDelta::seconds(whole(self.lasted_s)))
    }
}

#[allow(clippy::cast_possible_truncation, reason = "lengths of time far below 2^63 s")]
fn whole(seconds: f64) -> i64 {
    seconds.round() as i64
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What was asked, in words.
    pub title: String,
    /// Counts over all.
    pub totals: Counts,
    /// Days judged.
    pub days: i64,
    /// Readings judged, in words, and how long it took.
    pub work: String,
    /// What was left out.
    pub cut: Option<String>,
    /// By regulator or bank, in the order asked for.
    pub places: Vec<PlaceRow>,
    /// Links that put them into another order: key, words, whether it is this one.
    pub orders: Vec<Order>,
    /// The episodes.
    pub episodes: Vec<EpisodeRow>,
    /// Episodes that are counted and not listed.
    pub not_listed: usize,
    /// Links that put the tried values into the thresholds' forms: words and address.
    pub set: Vec<(String, String)>,
}

/// A column that the places can be sorted by.
#[derive(Debug, Clone)]
pub struct Order {
    /// Its heading.
    pub title: &'static str,
    /// Address of the same page so sorted.
    pub href: String,
    /// `aria-sort` where it is sorted so.
    pub sorted: Option<&'static str>,
}

impl Outcome {
    #[allow(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    fn a_day(&self, count: &usize) -> String {
        number(*count as f64 / self.days.max(1) as f64, 1, "")
    }
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "backtest.html")]
pub struct BacktestPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The form.
    pub form: Form,
    /// What came of it, if it was run.
    pub outcome: Option<Outcome>,
}

impl BacktestPage {
    fn conditions(&self) -> Vec<Condition> {
        Condition::all().collect()
    }
}
