//! How well the alarms of a period served the people who answer them, beside the standard's figures.

mod bars;

use askama::Template;
use chrono::NaiveDate;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    alarms::quality::{Certainty, Metric, Verdict},
    conditions::{Condition, Priority},
};

pub use bars::{Bar, Bars};

use crate::{board::Choice, board::number, frame::Frame, words};

/// What was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// `fleet`, or a kind and a number.
    pub place: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
}

/// One alarm of a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What is wrong.
    pub condition: Condition,
    /// Where.
    pub place: String,
    /// The latest alarm of it.
    pub id: i64,
    /// What is said of it in this list: "31 times, 12 %", "3 d 2 h".
    pub words: String,
}

impl Named {
    /// The list of all of them.
    #[must_use]
    pub fn href(&self) -> String {
        let filter = crate::alarms::Filter {
            show: crate::alarms::Show::All,
            condition: Some(self.condition),
            place: self.place.clone(),
            ..Default::default()
        };
        filter.href()
    }
}

/// One list: what it is, what an empty one says, and its alarms.
#[derive(Debug, Clone)]
pub struct List {
    /// Heading.
    pub title: &'static str,
    /// What it means.
    pub hint: &'static str,
    /// How many there are.
    pub count: usize,
    /// The first of them.
    pub rows: Vec<Named>,
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "alarm_quality.html")]
pub struct QualityPage {
    /// What surrounds it.
    pub frame: Frame,
    /// What was asked for.
    pub asked: Asked,
    /// Places to choose from.
    pub places: Vec<(&'static str, Vec<Choice>)>,
    /// The place in words.
    pub place: String,
    /// The period, and the zone of its days.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// The zone.
    pub zone: Tz,
    /// Alarms told in it.
    pub annunciations: usize,
    /// Different alarms among them.
    pub sources: usize,
    /// The measures.
    pub metrics: Vec<Metric>,
    /// Alarms told a day, and by hour of the day.
    pub charts: Vec<Bars>,
    /// Floods: since when, how long, how many.
    pub floods: Vec<(Timestamp, String, u64)>,
    /// Ten most frequent, chattering, stale, shelved too long.
    pub lists: Vec<List>,
    /// How many of each priority.
    pub priorities: Vec<(Priority, u64)>,
}

impl QualityPage {
    /// The same place over the last days.
    fn last(&self, days: u64) -> String {
        let from = self.asked.to - chrono::Days::new(days - 1);
        format!("/alarm-quality?place={}&from={from}&to={}", self.asked.place, self.asked.to)
    }

    fn value(metric: &Metric) -> String {
        metric.value.map_or_else(|| "–".to_owned(), |value| said(value, metric.unit))
    }

    /// The standard's figure in words.
    fn figure(metric: &Metric) -> String {
        let Some(figure) = metric.figure else { return "none".to_owned() };
        let acceptable = said(figure.acceptable, metric.unit);
        let most = said(figure.most, metric.unit);
        let limit = if figure.at_least { "at least" } else { "at most" };
        if figure.most_is_standard {
            format!("{limit} {acceptable}; {most} can just be managed")
        } else {
            format!("{limit} {acceptable}")
        }
    }

    fn verdict(metric: &Metric) -> String {
        match metric.verdict {
            Verdict::Within => "as it should be".to_owned(),
            Verdict::Above => beyond(metric, "").to_owned(),
            Verdict::FarAbove => beyond(metric, "far ").to_owned(),
            Verdict::CannotTell(why) => format!("cannot tell: {why}"),
            Verdict::NoFigure => "no figure to hold it against".to_owned(),
        }
    }

    /// How loud the verdict is.
    fn level(metric: &Metric) -> &'static str {
        match metric.verdict {
            Verdict::Within => "calm",
            Verdict::Above => "medium",
            Verdict::FarAbove => "high",
            Verdict::CannotTell(_) | Verdict::NoFigure => "",
        }
    }

    fn source(metric: &Metric) -> String {
        let Some(figure) = metric.figure else { return String::new() };
        let ours = if figure.most_is_standard { "" } else { "; what counts as far beyond it is ours" };
        format!("{}, {}{ours}", figure.source, figure.certainty.words())
    }

    /// Some figure is only remembered.
    fn remembers(&self) -> bool {
        self.metrics.iter().any(|m| m.figure.is_some_and(|f| f.certainty == Certainty::FromMemory))
    }

    fn length(&self) -> String {
        words::span(self.to - self.from)
    }
}

fn beyond(metric: &Metric, far: &str) -> String {
    let side = if metric.figure.is_some_and(|f| f.at_least) { "below" } else { "above" };
    format!("{far}{side} the figure")
}

fn said(value: f64, unit: &str) -> String {
    let decimals = match value.abs() {
        v if v.fract() < 1e-9 || v >= 100.0 => 0,
        v if v >= 1.0 => 1,
        _ => 2,
    };
    number(value, decimals, unit)
}
