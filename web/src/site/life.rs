//! Why a site's regulators tapped and where they stood: a part of its page that is also fetched alone when the range changes.

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    causes::{Cause, Shares},
    dwell::TapTime,
};

use super::Range;
use crate::{
    causes::{Chart, Line, Period, percent},
    dwell::Dwell,
};

/// The part of the page.
#[derive(Debug, Template)]
#[template(path = "site_life.html")]
pub struct SiteLife {
    /// The site.
    pub id: i32,
    /// Its zone.
    pub zone: Tz,
    /// The range of the page.
    pub range: Range,
    /// Its regulators.
    pub units: Vec<UnitLife>,
    /// What one column of the drawings sums up.
    pub by: Period,
    /// The newest operations of the range.
    pub newest: Vec<OperationRow>,
    /// There are more in the range than shown.
    pub more: bool,
    /// Until when operations have their causes, on the site's clock.
    pub settled: Option<String>,
}

/// One regulator.
#[derive(Debug)]
pub struct UnitLife {
    /// The regulator.
    pub id: i32,
    /// Its name on the page: "Phase A".
    pub name: String,
    /// Its operations in the range.
    pub shares: Shares,
    /// The same by day or so.
    pub lines: Vec<Line>,
    /// The drawing of them.
    pub chart: Option<Chart>,
    /// Time at each tap.
    pub taps: TapTime,
    /// The drawing of it.
    pub bars: Vec<TapBar>,
    /// Where it stands and since when; nothing while no reading has been analysed.
    pub dwell: Option<Dwell>,
}

impl UnitLife {
    /// Each tap held, with its part of the time.
    fn tap_rows(&self) -> Vec<(String, String)> {
        let row = |(tap, _)| (crate::dwell::place(tap), tap_share(&self.taps, tap));
        self.taps.taps().map(row).collect()
    }

    /// How long the tap was not known.
    fn unknown(&self) -> String {
        length(self.taps.unknown_s)
    }
}

/// One operation of a list.
#[derive(Debug, Clone)]
pub struct OperationRow {
    /// The reading in which it was first seen, on the site's clock.
    pub at: String,
    /// Which regulator.
    pub whose: String,
    /// Taps before and after: "+3 → +4", or what is not known.
    pub taps: String,
    /// How many operations.
    pub count: i32,
    /// Why, most likely.
    pub cause: &'static str,
    /// How sure.
    pub confidence: String,
    /// Undone within five minutes.
    pub undone: bool,
    /// One line with the numbers.
    pub evidence: String,
}

/// The time at one tap.
#[derive(Debug, Clone, PartialEq)]
pub struct TapBar {
    /// The tap.
    pub tap: i32,
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Height.
    pub height: f64,
    /// "+3: 41 % of the known time, 12.3 d".
    pub words: String,
}

/// Width of a bar's place in the drawing.
const STEP: f64 = 720.0 / 33.0;
/// Height of the drawing.
const HEIGHT: f64 = 90.0;

impl TapBar {
    /// A bar for each tap held, from −16 to 16; taps beyond are in the table only.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "seconds of years are exact")]
    pub fn draw(taps: &TapTime) -> Vec<Self> {
        let most = taps.longest().map_or(1, |(_, s)| s.max(1)) as f64;
        let bar = |(tap, seconds): (i32, u64)| {
            let height = (seconds as f64 / most * HEIGHT).max(1.0);
            Self {
                tap,
                x: round(f64::from(tap + 16) * STEP + 1.5),
                y: round(HEIGHT - height),
                height: round(height),
                words: format!("{}: {}", crate::dwell::place(tap), tap_share(taps, tap)),
            }
        };
        taps.taps().filter(|(tap, _)| tap.abs() <= 16).map(bar).collect()
    }
}

/// Part of the known time at a tap, and how long that is.
#[allow(clippy::cast_precision_loss, reason = "seconds of years are exact")]
fn tap_share(taps: &TapTime, tap: i32) -> String {
    let (at, known) = (taps.at(tap) as f64, taps.known_s().max(1) as f64);
    format!("{} of the known time, {}", percent(at / known), length(taps.at(tap)))
}

/// Seconds in their two largest units.
fn length(seconds: u64) -> String {
    crate::words::span(chrono::TimeDelta::seconds(i64::try_from(seconds).unwrap_or(i64::MAX / 1000)))
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

impl SiteLife {
    /// Whether anything of the site has been analysed.
    fn analysed(&self) -> bool {
        self.units.iter().any(|unit| unit.dwell.is_some())
    }

    /// What a drawing is of.
    fn chart_name(&self, unit: &UnitLife) -> String {
        format!("{}, operations by {}", unit.name, self.by.key())
    }

    /// Whether any operation in the range had this cause.
    fn has(&self, cause: &Cause) -> bool {
        self.units.iter().any(|unit| unit.shares.operations(*cause) > 0)
    }

    /// Operations of all regulators in the range.
    fn total(&self) -> u64 {
        self.units.iter().map(|unit| unit.shares.total()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_as_long_as_the_time_and_neutral_is_in_the_middle() {
        let taps = TapTime::of([(0, 3600), (-16, 7200), (16, 36)], 60);
        let bars = TapBar::draw(&taps);
        assert_eq!(bars.iter().map(|b| b.tap).collect::<Vec<_>>(), [-16, 0, 16]);
        assert_eq!((bars[0].y, bars[0].height, bars[1].height, bars[2].height), (0.0, 90.0, 45.0, 1.0));
        let middle = bars[1].x + (STEP - 3.0) / 2.0;
        assert!((middle - 360.0).abs() < 0.5, "{middle}");
        assert_eq!(bars[1].words.replace('\u{a0}', " "), "neutral: 33 % of the known time, 1 h 00 min");
    }
}
