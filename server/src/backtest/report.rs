//! What came of a backtest.

use std::time::Duration;

use chrono_tz::Tz;
use regulator::{Timestamp, backtest::Compared};

use super::{judge::Outcomes, target::Target};

/// Episodes that a report keeps; all are counted.
pub const MOST_EPISODES: usize = 500;

/// An alarm that really was raised.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Real {
    pub(super) id: i64,
    pub(super) raised_at: Timestamp,
    pub(super) returned_at: Option<Timestamp>,
}

/// Which values raise an episode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Those in force alone.
    OnlyInForce,
    /// Those tried alone.
    OnlyTried,
    /// Both; as the tried ones have it.
    Both,
}

impl Kind {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::OnlyInForce => "only with the values in force",
            Self::OnlyTried => "only with the values tried",
            Self::Both => "with both",
        }
    }
}

/// One time that the condition was true.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// Index of its place in [`Report::places`].
    pub place: usize,
    /// By which values.
    pub kind: Kind,
    /// When.
    pub raised_at: Timestamp,
    /// Until when; nothing if it was still true at the end.
    pub returned_at: Option<Timestamp>,
    /// How long, seconds; to the last reading if it was still true.
    pub lasted_s: f64,
    /// The line it was raised with.
    pub summary: String,
    /// The alarm that really was raised about it.
    pub alarm: Option<i64>,
}

/// Counts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Totals {
    /// Episodes with the values in force.
    pub in_force: usize,
    /// With the values tried.
    pub tried: usize,
    /// Alarms that really were raised.
    pub real: usize,
    /// Of those, the ones that the tried values raise as well.
    pub real_tried: usize,
    /// Episodes of the values in force that have no counterpart.
    pub only_in_force: usize,
    /// Episodes of the tried values that have no counterpart.
    pub only_tried: usize,
    /// Events that both raise.
    pub both: usize,
    /// How long it was true with the values in force, seconds.
    pub in_force_s: f64,
    /// The same with the values tried.
    pub tried_s: f64,
    /// Readings judged.
    pub readings: u64,
}

impl Totals {
    fn add(&mut self, o: &Self) {
        self.in_force += o.in_force;
        self.tried += o.tried;
        self.real += o.real;
        self.real_tried += o.real_tried;
        self.only_in_force += o.only_in_force;
        self.only_tried += o.only_tried;
        self.both += o.both;
        self.in_force_s += o.in_force_s;
        self.tried_s += o.tried_s;
        self.readings += o.readings;
    }
}

/// One regulator or bank.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Its name, from the substation down.
    pub name: String,
    /// Its site.
    pub site_id: i32,
    /// The site's zone.
    pub zone: Tz,
    /// Its counts.
    pub totals: Totals,
}

/// All of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Days judged, each place by its own midnights.
    pub days: i64,
    /// Regulators or banks that were asked for.
    pub asked: usize,
    /// Those that were judged.
    pub places: Vec<Judged>,
    /// The first [`MOST_EPISODES`] episodes, by place and time.
    pub episodes: Vec<Episode>,
    /// Counts over all.
    pub totals: Totals,
    /// Places with more readings at once than were taken.
    pub flooded: usize,
    /// How long it took.
    pub took: Duration,
}

impl Report {
    pub(super) fn new(days: i64, asked: usize) -> Self {
        let (places, episodes) = (vec![], vec![]);
        Self { days, asked, places, episodes, totals: Totals::default(), flooded: 0, took: Duration::ZERO }
    }

    /// Alarms a day, of all places judged, where there were so many.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    pub fn a_day(&self, count: usize) -> f64 {
        count as f64 / self.days.max(1) as f64
    }

    /// What was left out, in words.
    #[must_use]
    pub fn cut(&self) -> Option<String> {
        let judged = self.places.len();
        let late = (judged < self.asked).then(|| {
            format!(
                "Cut: {judged} of {} were judged, by name; the rest would have taken too long. Ask for fewer days or a smaller part \
                 of the fleet.",
                self.asked
            )
        });
        let flooded = (self.flooded > 0).then(|| {
            format!("{} had more readings at once than are taken; the rest is left out.", self.flooded)
        });
        let words: Vec<String> = late.into_iter().chain(flooded).collect();
        (!words.is_empty()).then(|| words.join(" "))
    }

    pub(super) fn add(&mut self, target: &Target, outcomes: Outcomes) {
        let Outcomes { before, after, real, flooded } = outcomes;
        let end = after.span.map_or(target.span.1, |(_, end)| end);
        let within = |e: &regulator::backtest::Episode, r: &Real| {
            e.raised_at <= r.returned_at.unwrap_or(Timestamp::MAX_UTC)
                && r.raised_at <= e.returned_at.unwrap_or(Timestamp::MAX_UTC)
        };
        let mut totals = Totals {
            in_force: before.episodes.len(),
            tried: after.episodes.len(),
            real: real.len(),
            real_tried: real.iter().filter(|r| after.episodes.iter().any(|e| within(e, r))).count(),
            readings: after.readings,
            ..Totals::default()
        };
        let compared = Compared::of(before, after);
        totals.only_in_force = compared.only_before.len();
        totals.only_tried = compared.only_after.len();
        totals.both = compared.both.len();
        (totals.in_force_s, totals.tried_s) = (compared.before_s, compared.after_s);
        let both = compared.both.into_iter().flat_map(|shared| shared.after);
        let tagged = |kind| move |episode| (kind, episode);
        let mut all: Vec<_> = (compared.only_before.into_iter().map(tagged(Kind::OnlyInForce)))
            .chain(compared.only_after.into_iter().map(tagged(Kind::OnlyTried)))
            .chain(both.map(tagged(Kind::Both)))
            .collect();
        all.sort_by_key(|(_, e)| e.raised_at);
        let room = MOST_EPISODES.saturating_sub(self.episodes.len());
        let place = self.places.len();
        self.episodes.extend(all.into_iter().take(room).map(|(kind, e)| Episode {
            place,
            kind,
            lasted_s: e.lasted_s(end),
            alarm: real.iter().find(|r| within(&e, r)).map(|r| r.id),
            raised_at: e.raised_at,
            returned_at: e.returned_at,
            summary: e.summary,
        }));
        self.totals.add(&totals);
        self.flooded += usize::from(flooded);
        let (name, zone) = (target.name.clone(), target.zone);
        self.places.push(Judged { name, site_id: target.site_id, zone, totals });
    }

    /// Episodes that are counted and not kept.
    #[must_use]
    pub fn not_kept(&self) -> usize {
        // Of an event that both raise, the tried values' episodes are kept.
        let both = self.totals.tried - self.totals.only_tried;
        (self.totals.only_in_force + self.totals.only_tried + both).saturating_sub(self.episodes.len())
    }
}
