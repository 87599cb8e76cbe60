//! One regulator as the board shows it: every cell ready as text, for the page and for live updates alike.

use regulator::{Age, Quality, Quantity, Reading, Timestamp};
use serde::Serialize;

use super::State;

/// Text of a cell, and whether it stands for a value that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cell {
    /// A number with its unit, or a dash and why there is none.
    #[serde(rename = "t")]
    pub text: String,
    /// No usable value.
    #[serde(rename = "b", skip_serializing_if = "is_false")]
    pub bad: bool,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
const fn is_false(value: &bool) -> bool {
    !*value
}

impl Cell {
    /// A usable value.
    #[must_use]
    pub const fn good(text: String) -> Self {
        Self { text, bad: false }
    }

    /// A dash and the reason.
    #[must_use]
    pub fn missing(why: &str) -> Self {
        Self { text: format!("– {why}"), bad: true }
    }

    /// Marks a value as the last known one: in parentheses.
    pub fn outdate(&mut self) {
        if !self.bad {
            self.text = format!("({})", self.text);
            self.bad = true;
        }
    }

    /// Says how old a carried value is, from a minute up: what was told longer ago than the reading it stands in.
    #[must_use]
    pub fn aged(mut self, age: Age) -> Self {
        let seconds = u32::try_from(age.seconds()).unwrap_or(u32::MAX);
        if seconds >= 60 {
            self.text = format!("{} · {} old", self.text, crate::duration::text(seconds.into()));
        }
        self
    }

    /// A quantity of a reading with `decimals` and its unit, or why there is none.
    #[must_use]
    pub fn of(reading: &Reading, quantity: Quantity, decimals: usize) -> Self {
        reading.good(quantity).map_or_else(
            || Self::missing(reason(reading.quality(quantity))),
            |value| Self::good(number(value, decimals, quantity.unit())),
        )
    }

    /// The tap with its sign; neutral says so.
    #[must_use]
    pub fn tap(reading: &Reading) -> Self {
        reading.good(Quantity::Tap).map_or_else(
            || Self::missing(reason(reading.quality(Quantity::Tap))),
            |tap| Self::good(tap_text(tap)),
        )
    }
}

/// Why a value cannot be used, in a word or two that fit a cell.
#[must_use]
pub const fn reason(quality: Quality) -> &'static str {
    match quality {
        Quality::NotReported => "none",
        Quality::Good => "good",
        Quality::OutOfRange => "out of range",
        Quality::NotAvailable => "n/a",
        Quality::Unreadable => "unreadable",
        Quality::Invalid => "invalid",
        Quality::Frozen => "frozen",
        Quality::Stale => "stale",
        Quality::Implausible => "implausible",
        Quality::Offline => "off line",
        Quality::Restarted => "not renewed",
        Quality::CommunicationLost => "comm lost",
        Quality::Forced => "forced",
        Quality::OverRange => "over range",
        Quality::ReferenceCheck => "reference",
        Quality::Discontinuity => "discontinuous",
        Quality::RolledOver => "rolled over",
        Quality::Chatter => "chattering",
    }
}

/// A tap position with its sign; 0 is neutral.
#[must_use]
pub fn tap_text(tap: f64) -> String {
    if tap == 0.0 { "neutral".to_owned() } else { signed(tap, 0) }
}

/// A number with a real minus sign.
#[must_use]
pub fn number(value: f64, decimals: usize, unit: &str) -> String {
    let text = format!("{:.decimals$}", value.abs());
    // what rounds to zero has no sign
    let negative = value < 0.0 && text.bytes().any(|b| matches!(b, b'1'..=b'9'));
    let sign = if negative { "−" } else { "" };
    if unit.is_empty() { format!("{sign}{text}") } else { format!("{sign}{text}\u{a0}{unit}") }
}

fn signed(value: f64, decimals: usize) -> String {
    let text = number(value, decimals, "");
    if value > 0.0 { format!("+{text}") } else { text }
}

/// Which way power flows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Flow {
    /// From source to load.
    Forward,
    /// From load to source.
    Reverse,
    /// None to speak of, or not known.
    None,
}

impl Flow {
    /// The direction of real power in kW.
    #[must_use]
    pub fn of(power_kw: Option<f64>) -> Self {
        match power_kw {
            Some(p) if p >= 0.5 => Self::Forward,
            Some(p) if p <= -0.5 => Self::Reverse,
            _ => Self::None,
        }
    }

    /// Arrow and word.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Forward => "→ forward",
            Self::Reverse => "← reverse",
            Self::None => "",
        }
    }

    /// The name in style sheets and scripts.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Forward => "forward",
            Self::Reverse => "reverse",
            Self::None => "none",
        }
    }
}

/// Where the load voltage stands against its band: positions along the bar, 0 to 100. The bar runs from 90 % to 110 % of
/// the voltage base; ANSI C84.1 range A (95 % to 105 %) is its middle half.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Bar {
    /// Left edge of the control's band, if its settings are known.
    pub from: Option<f32>,
    /// Its width.
    pub width: f32,
    /// The measured voltage; at an end of the bar when beyond it.
    pub at: Option<f32>,
}

impl Bar {
    /// The bar for one reading on this voltage base.
    #[must_use]
    pub fn of(reading: &Reading, base_v: f64) -> Self {
        let place = |volts: f64| rounded(((volts / base_v - 0.9) / 0.2 * 100.0).clamp(0.0, 100.0));
        let band = reading.good(Quantity::SetVoltage).zip(reading.good(Quantity::Bandwidth));
        let (from, to) = band
            .map_or((None, 0.0), |(set, width)| (Some(place(set - width / 2.0)), place(set + width / 2.0)));
        Self {
            from,
            width: from.map_or(0.0, |from| rounded(f64::from(to - from))),
            at: reading.good(Quantity::LoadVoltage).map(place),
        }
    }

    /// Whether there is anything to draw.
    #[must_use]
    pub const fn marker(&self) -> f32 {
        match self.at {
            Some(at) => at,
            None => -10.0,
        }
    }

    /// Left edge of the band; off the bar when there is none.
    #[must_use]
    pub const fn left(&self) -> f32 {
        match self.from {
            Some(from) => from,
            None => -10.0,
        }
    }
}

#[allow(clippy::cast_possible_truncation, reason = "a position on a bar needs no more than f32 holds")]
fn rounded(value: f64) -> f32 {
    ((value * 10.0).round() / 10.0) as f32
}

/// An open alarm, as a row names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Mark {
    /// Its number.
    pub id: i64,
    /// What is wrong.
    pub title: &'static str,
    /// How urgent it is.
    pub level: &'static str,
    /// Someone has acknowledged it.
    #[serde(rename = "ack", skip_serializing_if = "is_false")]
    pub acknowledged: bool,
    /// What keeps it from people, if anything does: shelved, suppressed, out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held: Option<&'static str>,
}

impl Mark {
    /// A word on how it stands; empty for one that nobody has seen.
    #[must_use]
    pub fn word(&self) -> &'static str {
        self.held.unwrap_or(if self.acknowledged { "seen" } else { "" })
    }
}

/// The part of a row that changes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Live {
    /// The regulator.
    pub id: i32,
    /// Its state.
    pub state: State,
    /// How the state looks.
    pub level: &'static str,
    /// The state's word.
    pub word: &'static str,
    /// The values are the last known ones, not present ones.
    #[serde(skip_serializing_if = "is_false")]
    pub old: bool,
    /// Load voltage.
    pub volts: Cell,
    /// Load voltage against its band.
    pub bar: Bar,
    /// Current.
    pub amps: Cell,
    /// Real power, without its direction.
    pub power: Cell,
    /// Its direction.
    pub flow: Flow,
    /// Arrow and word for it.
    pub way: &'static str,
    /// Tap position.
    pub tap: Cell,
    /// Operations since local midnight.
    pub ops: Cell,
    /// When the last reading was measured, milliseconds since 1970; none yet when null.
    pub at: Option<i64>,
    /// Open alarms, most urgent first.
    pub alarms: Vec<Mark>,
    /// A maintenance window of it is open.
    #[serde(rename = "work", skip_serializing_if = "is_false")]
    pub maintenance: bool,
}

/// Where a regulator is; fixed until the inventory changes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "the words of the inventory")]
pub struct Place {
    pub substation: String,
    pub feeder: String,
    pub site: String,
    pub bank: String,
    pub phase: &'static str,
    pub substation_id: i32,
    pub feeder_id: i32,
    pub site_id: i32,
    /// Banks at the site; the bank's name is only worth showing when there are several.
    pub banks_at_site: usize,
}

impl Place {
    /// Site, bank where there are several, and phase.
    #[must_use]
    pub fn short(&self) -> String {
        if self.banks_at_site > 1 {
            format!("{} {} {}", self.site, self.bank, self.phase)
        } else {
            format!("{} {}", self.site, self.phase)
        }
    }

    /// Whether any of its names contains `needle`, which is in lower case.
    #[must_use]
    pub fn matches(&self, needle: &str) -> bool {
        let all = format!("{} {} {} {} {}", self.substation, self.feeder, self.site, self.bank, self.phase);
        all.to_lowercase().contains(needle)
    }
}

/// One line of the board.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Where it is.
    pub place: Place,
    /// How it is.
    pub live: Live,
    /// The band in words, for a tooltip: "band 121.0 to 123.0 V".
    pub band: String,
}

impl Row {
    /// Age of the last reading at `now`, as text.
    #[must_use]
    pub fn age(&self, now: &Timestamp) -> String {
        self.live
            .at
            .map_or_else(|| "– never".to_owned(), |at| age((now.timestamp_millis() - at).div_euclid(1000)))
    }
}

/// How long ago something was, in at most four characters and a unit. The live script says it the same way.
#[must_use]
pub fn age(seconds: i64) -> String {
    match seconds {
        ..0 => "ahead".to_owned(),
        0..100 => format!("{seconds} s"),
        100..5_940 => format!("{} min", seconds / 60),
        5_940..172_800 => format!("{} h", seconds / 3600),
        _ => format!("{} d", seconds / 86_400),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading() -> Reading {
        Reading::new(Timestamp::UNIX_EPOCH)
            .with(Quantity::LoadVoltage, 121.26)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::Tap, -3.0)
    }

    #[test]
    fn a_missing_value_is_a_dash_and_a_word_never_zero() {
        let mut r = reading();
        assert_eq!(Cell::of(&r, Quantity::LoadVoltage, 1), Cell::good("121.3\u{a0}V".into()));
        r.set(Quantity::Current, None, Quality::NotAvailable);
        assert_eq!(Cell::of(&r, Quantity::Current, 0), Cell::missing("n/a"));
        r.set(Quantity::Tap, Some(40.0), Quality::OutOfRange);
        assert_eq!(Cell::tap(&r).text, "– out of range");
    }

    #[test]
    fn numbers_carry_a_true_minus_and_no_negative_zero() {
        assert_eq!(number(-3.0, 0, ""), "−3");
        assert_eq!(number(-0.04, 1, "kW"), "0.0\u{a0}kW");
        assert_eq!(tap_text(0.0), "neutral");
        assert_eq!(tap_text(7.0), "+7");
    }

    #[test]
    fn the_bar_holds_range_a_in_its_middle_half() {
        let bar = Bar::of(&reading(), 120.0);
        // 121 V is 100.83 % of 120 V: (0.10833 / 0.2) of the way along
        assert_eq!((bar.from, bar.width), (Some(54.2), 8.3));
        let low = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::LoadVoltage, 114.0);
        assert_eq!(Bar::of(&low, 120.0), Bar { from: None, width: 0.0, at: Some(25.0) });
        let far = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::LoadVoltage, 12.0);
        assert_eq!(Bar::of(&far, 120.0).at, Some(0.0));
    }

    #[test]
    fn ages_grow_coarser() {
        let ages: Vec<_> = [0, 99, 100, 5_939, 5_940, 172_799, 172_800].map(age).into();
        assert_eq!(ages, ["0 s", "99 s", "1 min", "98 min", "1 h", "47 h", "2 d"]);
        assert_eq!(age(-5), "ahead");
    }
}
