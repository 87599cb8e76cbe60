//! Wear and outlook in words: numbers with their range, or why there is none.

use regulator::{
    Timestamp,
    wear::{CannotTell, Estimate, NoAccount, Outlook, Part, Past},
};

use crate::causes::percent;

/// The life of one regulator's worst part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Life {
    /// No reading of it has been analysed.
    NotAnalysed,
    /// There is no account of it.
    Cannot(NoAccount),
    /// The worst part, its share used, and what is known of the time before the first reading.
    Used(Part, Estimate, Past),
}

impl Life {
    /// The likely share, for sorting.
    #[must_use]
    pub const fn likely(&self) -> Option<f64> {
        match self {
            Self::Used(_, used, _) => Some(used.likely),
            _ => None,
        }
    }

    /// "34 %", or "cannot tell".
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::NotAnalysed => "– not analysed".to_owned(),
            Self::Cannot(_) => "– cannot tell".to_owned(),
            Self::Used(_, used, Past::Unknown) => format!("at least {}", percent(used.likely)),
            Self::Used(_, used, _) => percent(used.likely),
        }
    }

    /// The range, the part, and what is missing: the small print of the cell.
    #[must_use]
    pub fn detail(&self) -> String {
        match self {
            Self::NotAnalysed => String::new(),
            Self::Cannot(why) => no_account(*why).to_owned(),
            Self::Used(part, used, past) => {
                let note = match past {
                    Past::Counted(_) => "",
                    Past::Unknown => "; no counter: the past is not known",
                    Past::Renewed(_) => "; contacts renewed",
                };
                format!("{} to {}, {}{note}", percent(used.low), percent(used.high), part.title())
            }
        }
    }
}

/// Why there is no account of a unit.
#[must_use]
pub const fn no_account(why: NoAccount) -> &'static str {
    match why {
        NoAccount::OtherDial => "not a changer of 32 steps and nine contacts",
        NoAccount::NoRating => "no rated current on the nameplate",
    }
}

/// The end: "2031-04", or why there is none.
#[must_use]
pub fn end(outlook: &Outlook) -> String {
    match outlook {
        Outlook::CannotTell(_) => "– cannot tell".to_owned(),
        Outlook::Reached => "reached".to_owned(),
        Outlook::End { likely, .. } => month(*likely),
    }
}

/// Its range, or the reason.
#[must_use]
pub fn end_detail(outlook: &Outlook) -> String {
    match outlook {
        Outlook::CannotTell(CannotTell::TooShort { days, needed }) => {
            format!("{days} of {needed} days of history")
        }
        Outlook::CannotTell(CannotTell::Unusable) => "a figure is not usable".to_owned(),
        Outlook::Reached => "by the likely figure".to_owned(),
        Outlook::End { earliest: None, latest: None, .. } => String::new(),
        Outlook::End { earliest, latest, .. } => format!("{} to {}", month(*earliest), month(*latest)),
    }
}

/// The month of an end; what has none lies far off.
#[must_use]
pub fn month(at: Option<Timestamp>) -> String {
    at.map_or_else(|| "beyond 50 years".to_owned(), |at| at.format("%Y-%m").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_answer_has_its_range_or_its_reason() {
        let used = Estimate { low: 0.12, likely: 0.34, high: 0.71 };
        let plain = |text: String| text.replace('\u{a0}', " ");
        let counted = Life::Used(Part::Contact(0), used, Past::Counted(5));
        assert_eq!(
            (plain(counted.text()), plain(counted.detail())),
            ("34 %".into(), "12 % to 71 %, contact N".into())
        );
        let unknown = Life::Used(Part::Contact(3), used, Past::Unknown);
        assert_eq!(plain(unknown.text()), "at least 34 %");
        assert!(unknown.detail().ends_with("no counter: the past is not known"));
        assert!(Life::Cannot(NoAccount::OtherDial).detail().contains("32 steps"));
        let short = Outlook::CannotTell(CannotTell::TooShort { days: 3, needed: 28 });
        assert_eq!(
            (end(&short).as_str(), end_detail(&short).as_str()),
            ("– cannot tell", "3 of 28 days of history")
        );
        let at = |s: i64| Timestamp::from_timestamp(s, 0);
        let dated = Outlook::End {
            earliest: at(1_900_000_000),
            likely: at(1_950_000_000),
            latest: None,
            a_day: used,
        };
        assert_eq!(
            (end(&dated).as_str(), end_detail(&dated).as_str()),
            ("2031-10", "2030-03 to beyond 50 years")
        );
    }
}
