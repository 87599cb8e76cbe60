//! The measures of a period, each with its figure and verdict.

use super::{
    Annunciation, Frequent, Input, Rates, Source, Span,
    figures::{self, Figure, Verdict},
    frequent, rates, standing,
};
use crate::{
    alarms::flood::{self, Period},
    conditions::Priority,
};

/// Shares of fewer annunciations than this say nothing: one alarm more or less moves them by more than the figures.
const LEAST_FOR_SHARES: usize = 100;
const FEW: &str = "fewer than 100 alarms: a share says nothing";
const SHORT: &str = "the period is shorter";

/// One measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Metric {
    /// What it is, for people.
    pub title: &'static str,
    /// The value; nothing where it cannot be told.
    pub value: Option<f64>,
    /// Its unit symbol, or empty for a count.
    pub unit: &'static str,
    /// What it is held against, where the standard has a figure.
    pub figure: Option<Figure>,
    /// How it stands to that.
    pub verdict: Verdict,
}

impl Metric {
    fn new(
        title: &'static str,
        unit: &'static str,
        figure: Figure,
        value: Result<f64, &'static str>,
    ) -> Self {
        let verdict = value.map_or_else(Verdict::CannotTell, |v| figure.judge(v));
        Self { title, value: value.ok(), unit, figure: Some(figure), verdict }
    }

    fn plain(title: &'static str, value: f64) -> Self {
        Self { title, value: Some(value), unit: "", figure: None, verdict: Verdict::NoFigure }
    }
}

/// A period's alarms, measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Quality {
    /// Annunciations in the period.
    pub annunciations: usize,
    /// Different alarms (condition and place) among them.
    pub sources: usize,
    /// Counts a day, an hour, ten minutes.
    pub rates: [Rates; 3],
    /// The floods.
    pub floods: Vec<Period>,
    /// The ten most frequent alarms, most frequent first.
    pub most_frequent: Vec<Frequent>,
    /// Alarms that chattered, in order of condition and place.
    pub chattering: Vec<Source>,
    /// Alarms that were stale, longest standing first.
    pub stale: Vec<Span>,
    /// Alarms shelved for longer than allowed, longest first.
    pub shelved_too_long: Vec<Span>,
    /// Annunciations of each priority, lowest first.
    pub priorities: [u64; 4],
    /// All measures, in the order in which people read them.
    pub metrics: Vec<Metric>,
}

impl Quality {
    /// Of annunciations in order of time, all within the period.
    pub(super) fn of(input: &Input<'_>, annunciations: &[Annunciation]) -> Self {
        let counted = frequent::count(annunciations);
        let mut chattering: Vec<Source> = counted.chattering.iter().copied().collect();
        chattering.sort_unstable();
        let mut of = Self {
            annunciations: annunciations.len(),
            sources: counted.sources,
            rates: rates::all(annunciations, input.from, input.to),
            floods: flood::periods(annunciations.iter().map(|a| a.at), input.to),
            most_frequent: counted.most,
            chattering,
            stale: standing::stale(input),
            shelved_too_long: standing::shelved_too_long(input),
            priorities: priorities(annunciations),
            metrics: vec![],
        };
        let fleeting = standing::fleeting(input, &counted.chattering);
        of.metrics = of.rate_metrics();
        of.metrics.extend(of.crowding_metrics(input));
        of.metrics.extend(of.source_metrics(input, fleeting));
        of.metrics.extend(of.priority_metrics());
        of
    }

    /// The measure of this title.
    #[must_use]
    pub fn metric(&self, title: &str) -> Option<&Metric> {
        self.metrics.iter().find(|m| m.title == title)
    }

    fn rate_metrics(&self) -> Vec<Metric> {
        let [day, hour, ten] = &self.rates;
        vec![
            Metric::new("Alarms a day, mean", "", figures::PER_DAY, day.mean.ok_or(SHORT)),
            Metric::plain("Most in any 24 hours", whole(day.most)),
            Metric::new("Alarms an hour, mean", "", figures::PER_HOUR, hour.mean.ok_or(SHORT)),
            Metric::plain("Most in any hour", whole(hour.most)),
            Metric::new("Alarms in 10 min, mean", "", figures::PER_TEN_MINUTES, ten.mean.ok_or(SHORT)),
            Metric::new("Most in any 10 min", "", figures::MOST_IN_TEN_MINUTES, Ok(whole(ten.most))),
        ]
    }

    fn crowding_metrics(&self, input: &Input<'_>) -> Vec<Metric> {
        let [_, hour, ten] = &self.rates;
        let flooded = 100.0 * flood::share_of_time(&self.floods, input.from, input.to);
        let busy = |rates: &Rates| rates.busy_percent.ok_or(SHORT);
        vec![
            Metric::new("Hours with more than 30", "%", figures::BUSY_HOURS, busy(hour)),
            Metric::new("Tens of minutes with more than 10", "%", figures::BUSY_TEN_MINUTES, busy(ten)),
            Metric::new("Time in flood", "%", figures::IN_FLOOD, Ok(flooded)),
        ]
    }

    fn source_metrics(&self, input: &Input<'_>, fleeting: usize) -> Vec<Metric> {
        let share = self.most_frequent.iter().map(|f| f.percent).sum();
        let most_stale = standing::most_stale(&self.stale, input);
        vec![
            Metric::new("Share of the ten most frequent", "%", figures::TEN_MOST_FREQUENT, self.share(share)),
            Metric::new("Chattering alarms", "", figures::CHATTERING, Ok(number(self.chattering.len()))),
            Metric::new("Fleeting alarms", "", figures::FLEETING, Ok(number(fleeting))),
            Metric::new("Most stale at once", "", figures::STALE, Ok(number(most_stale))),
            Metric::new(
                "Shelved longer than allowed",
                "",
                figures::SHELVED_TOO_LONG,
                Ok(number(self.shelved_too_long.len())),
            ),
        ]
    }

    fn priority_metrics(&self) -> Vec<Metric> {
        const TITLES: [&str; 4] = ["Low priority", "Medium priority", "High priority", "Critical priority"];
        let all = number(self.annunciations).max(1.0);
        let of = TITLES.into_iter().zip(figures::PRIORITIES).zip(self.priorities);
        of.map(|((title, figure), n)| Metric::new(title, "%", figure, self.share(100.0 * whole(n) / all)))
            .collect()
    }

    /// A share, if there are enough to speak of one.
    const fn share(&self, percent: f64) -> Result<f64, &'static str> {
        if self.annunciations < LEAST_FOR_SHARES { Err(FEW) } else { Ok(percent) }
    }
}

fn priorities(annunciations: &[Annunciation]) -> [u64; 4] {
    let mut counts = [0; 4];
    for a in annunciations {
        let place = Priority::ALL.iter().position(|p| *p == a.priority);
        counts[place.unwrap_or(0)] += 1;
    }
    counts
}

#[allow(clippy::cast_precision_loss, reason = "counts of alarms")]
const fn whole(n: u64) -> f64 {
    n as f64
}

#[allow(clippy::cast_precision_loss, reason = "counts of alarms")]
const fn number(n: usize) -> f64 {
    n as f64
}
