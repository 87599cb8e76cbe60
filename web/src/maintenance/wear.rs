//! One unit's contacts: what each has been through and what the answer owes to the assumptions.

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    wear::{Account, Estimate, NoAccount, Outlook, Part, Past},
};

use super::Assumptions;
use crate::{causes::percent, dwell::Dwell, frame::Frame};

/// One contact or finger.
#[derive(Debug, Clone)]
pub struct PartRow {
    /// Which.
    pub part: Part,
    /// Breaks since the first reading.
    pub breaks: u64,
    /// Share assumed for the time before.
    pub before: Estimate,
    /// Share seen since.
    pub since: Estimate,
    /// Both.
    pub used: Estimate,
    /// It is the worst.
    pub worst: bool,
}

impl PartRow {
    /// Every part of an account.
    #[must_use]
    pub fn all(account: &Account, breaks: impl Fn(Part) -> u64) -> Vec<Self> {
        let worst = account.worst().0;
        let row = |part| {
            let (before, since) = account.part(part);
            Self { part, breaks: breaks(part), before, since, used: before + since, worst: part == worst }
        };
        (0..regulator::wear::PART_COUNT).filter_map(Part::at).map(row).collect()
    }

    fn three(estimate: &Estimate) -> String {
        let say = |share: f64| {
            if share == 0.0 {
                "0".to_owned()
            } else {
                crate::board::number(100.0 * share, if share < 0.0995 { 2 } else { 1 }, "")
            }
        };
        format!("{} / {} / {}", say(estimate.low), say(estimate.likely), say(estimate.high))
    }
}

/// What one assumption is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// What was moved between which values.
    pub assumption: &'static str,
    /// The worst part and its share of wear, relative to the model's, at one end.
    pub one: (Part, f64),
    /// At the other.
    pub other: (Part, f64),
}

impl Moved {
    fn times(end: &(Part, f64)) -> String {
        format!("× {}, {}", crate::board::number(end.1, 2, ""), end.0.title())
    }
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "wear.html")]
pub struct WearPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Its site.
    pub site_id: i32,
    /// Its name.
    pub name: String,
    /// Substation and feeder.
    pub above: String,
    /// Its zone.
    pub zone: Tz,
    /// First and last reading analysed; nothing while none is.
    pub seen: Option<(Timestamp, Timestamp)>,
    /// Every part, or why not.
    pub parts: Result<Vec<PartRow>, NoAccount>,
    /// What is known of the time before.
    pub past: Option<Past>,
    /// The counter at the first reading and now.
    pub counter: (Option<u64>, Option<u64>),
    /// Operations without a place, those at an assumed current, and moves of the reversing switch.
    pub unplaced: u64,
    /// Operations priced at an assumed current.
    pub assumed: u64,
    /// Moves of the reversing switch seen.
    pub reversals: u64,
    /// The worst part's outlook.
    pub outlook: Option<Outlook>,
    /// How long it has not moved.
    pub dwell: Option<Dwell>,
    /// What each assumption is worth for the strokes of the last ninety days, and how many those are.
    pub sensitivity: (Vec<Moved>, u64),
    /// What is assumed.
    pub assumptions: Assumptions,
}

impl WearPage {
    fn begun(&self) -> String {
        match self.past {
            Some(Past::Counted(n)) => format!("{} operations before the first reading, by the counter.", crate::words::count(i64::try_from(n).unwrap_or(i64::MAX))),
            Some(Past::Unknown) => "No counter to tell the past by: shares are of what was seen since the first reading, so at least.".to_owned(),
            Some(Past::Renewed(part)) => format!("Contacts renewed since the first reading: {} of the wear seen is taken as theirs (operations evenly spread).", percent(part)),
            None => String::new(),
        }
    }
}
