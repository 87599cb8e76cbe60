//! The accumulators: what each part has been through.
//!
//! Shares are kept as whole billionths of a life, so that sums do not depend on the order in which days are added, and a
//! year's wear can be told from its days'.

use serde::{Deserialize, Serialize};

use super::{Break, Dial, Erosion, Estimate, Finger, contacts};

/// Parts that wear: nine stationary contacts and two fingers.
pub const PART_COUNT: usize = contacts::STATIONARY + 2;

/// Billionths of a life in one.
const BILLION: f64 = 1e9;

/// One part that wears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// A stationary contact: 0 is N, else its number.
    Contact(usize),
    /// A movable finger.
    Finger(Finger),
}

impl Part {
    /// The part at this place of the accumulators.
    #[must_use]
    pub const fn at(index: usize) -> Option<Self> {
        match index {
            0..contacts::STATIONARY => Some(Self::Contact(index)),
            9 => Some(Self::Finger(Finger::Ahead)),
            10 => Some(Self::Finger(Finger::Behind)),
            _ => None,
        }
    }

    /// Its place in the accumulators.
    #[must_use]
    pub const fn index(self) -> usize {
        match self {
            Self::Contact(n) => n,
            Self::Finger(Finger::Ahead) => contacts::STATIONARY,
            Self::Finger(Finger::Behind) => contacts::STATIONARY + 1,
        }
    }

    /// Its name for people.
    #[must_use]
    pub fn title(self) -> String {
        match self {
            Self::Contact(0) => "contact N".to_owned(),
            Self::Contact(n) => format!("contact {n}"),
            Self::Finger(Finger::Ahead) => "finger ahead".to_owned(),
            Self::Finger(Finger::Behind) => "finger behind".to_owned(),
        }
    }
}

/// What one part has been through. Stored as four numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(from = "[u64; 4]", into = "[u64; 4]")]
pub struct Wear {
    breaks: u64,
    /// Billionths of a life by the exponents 1, as set, 2.
    billionths: [u64; 3],
}

impl From<[u64; 4]> for Wear {
    fn from([breaks, low, set, high]: [u64; 4]) -> Self {
        Self { breaks, billionths: [low, set, high] }
    }
}

impl From<Wear> for [u64; 4] {
    fn from(Wear { breaks, billionths: [a, b, c] }: Wear) -> Self {
        [breaks, a, b, c]
    }
}

impl Wear {
    /// Times that it broke current.
    #[must_use]
    pub const fn breaks(&self) -> u64 {
        self.breaks
    }

    /// Share of its life used, with the range of the exponent.
    #[must_use]
    pub fn share(&self) -> Estimate {
        let [a, likely, b] = self.by_exponent();
        Estimate { low: a.min(b).min(likely), likely, high: a.max(b).max(likely) }
    }

    /// Share of its life by the exponents 1, as set, 2.
    pub(super) fn by_exponent(&self) -> [f64; 3] {
        #[allow(clippy::cast_precision_loss, reason = "billionths of a life stay far below 2^53")]
        self.billionths.map(|n| n as f64 / BILLION)
    }

    fn add(&mut self, breaks: u64, shares: [f64; 3]) {
        self.breaks += breaks;
        #[allow(clippy::cast_precision_loss, reason = "counts of operations")]
        let times = breaks as f64;
        for (sum, share) in self.billionths.iter_mut().zip(shares) {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "not negative; a float beyond u64 saturates"
            )]
            let more = (share * times * BILLION).round() as u64;
            *sum = sum.saturating_add(more);
        }
    }
}

/// The accumulators of one unit over some time.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ContactWear {
    parts: [Wear; PART_COUNT],
    /// Moves of the reversing switch, as seen.
    pub reversals: u64,
    /// Operations whose place is not known: no tap reported, or a counter that does not fit it. Not in the parts.
    pub unplaced: u64,
    /// Operations in the parts whose current was not known and had to be assumed.
    pub assumed: u64,
}

impl ContactWear {
    /// What a part has been through.
    #[must_use]
    pub fn part(&self, part: Part) -> Wear {
        self.parts.get(part.index()).copied().unwrap_or_default()
    }

    /// Every part with what it has been through.
    pub fn parts(&self) -> impl Iterator<Item = (Part, Wear)> {
        self.parts.iter().enumerate().filter_map(|(i, wear)| Some((Part::at(i)?, *wear)))
    }

    /// The part with the largest likely share; the first of them when alike.
    #[must_use]
    pub fn worst(&self) -> (Part, Wear) {
        let first = (Part::Contact(0), self.parts[0]);
        self.parts().fold(first, |a, b| if b.1.share().likely > a.1.share().likely { b } else { a })
    }

    /// Operations with a known place.
    #[must_use]
    pub fn operations(&self) -> u64 {
        self.parts[contacts::STATIONARY..].iter().map(Wear::breaks).sum()
    }

    /// Adds one operation between neighbouring taps (or so many alike) at this load current (A) and voltage per unit. What is
    /// no such step, or cannot be priced, is counted as unplaced.
    pub fn note(
        &mut self,
        law: &Erosion,
        dial: Dial,
        (from, to): (i32, i32),
        times: u64,
        (load_a, voltage_pu): (f64, f64),
    ) {
        let priced = contacts::broken(dial, from, to)
            .and_then(|cut| Some((cut, law.shares(load_a, voltage_pu, cut.from_bridging)?)));
        match priced {
            Some((Break { contact, finger, .. }, shares)) => {
                for part in [Part::Contact(contact), Part::Finger(finger)] {
                    self.parts[part.index()].add(times, shares);
                }
            }
            None => self.unplaced += times,
        }
    }
}

impl std::ops::AddAssign<&Self> for ContactWear {
    fn add_assign(&mut self, other: &Self) {
        for (mine, theirs) in self.parts.iter_mut().zip(&other.parts) {
            mine.breaks += theirs.breaks;
            for (a, b) in mine.billionths.iter_mut().zip(theirs.billionths) {
                *a = a.saturating_add(b);
            }
        }
        self.reversals += other.reversals;
        self.unplaced += other.unplaced;
        self.assumed += other.assumed;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT_RATED: (f64, f64) = (219.0, 1.0);

    #[test]
    fn each_operation_wears_one_contact_and_one_finger() {
        let law = Erosion::common(219.0);
        let mut wear = ContactWear::default();
        wear.note(&law, Dial::Ring, (0, 1), 1, AT_RATED);
        wear.note(&law, Dial::Ring, (1, 0), 1, AT_RATED);
        let share = |part| wear.part(part).share().likely;
        assert!((share(Part::Contact(0)) - 1.0 / 50_000.0).abs() < 1e-9);
        assert!((share(Part::Contact(1)) - 1.0 / 50_000.0).abs() < 1e-9);
        assert!((share(Part::Finger(Finger::Ahead)) - 2.0 / 50_000.0).abs() < 1e-9);
        assert_eq!(wear.part(Part::Finger(Finger::Behind)), Wear::default());
        assert_eq!(wear.worst().0, Part::Finger(Finger::Ahead));
        assert_eq!((wear.operations(), wear.unplaced), (2, 0));
    }

    #[test]
    fn fifty_thousand_at_rated_current_are_one_life_and_the_range_closes() {
        let mut wear = ContactWear::default();
        wear.note(&Erosion::common(219.0), Dial::Ring, (2, 3), 50_000, AT_RATED);
        let share = wear.part(Part::Contact(1)).share();
        for s in [share.low, share.likely, share.high] {
            assert!((s - 1.0).abs() < 1e-9, "{share:?}");
        }
        let mut half = ContactWear::default();
        half.note(&Erosion::common(219.0), Dial::Ring, (2, 3), 50_000, (50.0, 1.0));
        let share = half.part(Part::Contact(1)).share();
        assert!(share.low < share.likely && share.likely < share.high && share.high < 1.0);
    }

    #[test]
    fn days_add_up_to_the_same_in_any_order_and_through_storage() {
        let law = Erosion::common(219.0);
        let day = |seed: i32| {
            let mut wear = ContactWear { reversals: 1, assumed: 2, ..ContactWear::default() };
            for i in 0..20 {
                let tap = (seed * 7 + i) % 15;
                wear.note(&law, Dial::Ring, (tap, tap + 1), 1, (f64::from(10 * i), 1.0));
            }
            serde_json::from_str::<ContactWear>(&serde_json::to_string(&wear).unwrap()).unwrap()
        };
        let days: Vec<_> = (0..30).map(day).collect();
        let sum = |days: &mut dyn Iterator<Item = &ContactWear>| {
            let mut sum = ContactWear::default();
            days.for_each(|d| sum += d);
            sum
        };
        let forward = sum(&mut days.iter());
        assert_eq!(forward, sum(&mut days.iter().rev()));
        assert_eq!((forward.operations(), forward.reversals, forward.assumed), (600, 30, 60));
        let text = serde_json::to_string(&days[0]).unwrap();
        assert!(text.len() < 500, "{}", text.len());
    }

    #[test]
    fn what_has_no_place_is_counted_apart() {
        let mut wear = ContactWear::default();
        wear.note(&Erosion::common(219.0), Dial::Ring, (2, 5), 1, AT_RATED);
        wear.note(&Erosion::common(0.0), Dial::Ring, (2, 3), 3, AT_RATED);
        assert_eq!((wear.operations(), wear.unplaced), (0, 4));
    }

    #[test]
    fn parts_and_places_undo_each_other() {
        for i in 0..PART_COUNT {
            assert_eq!(Part::at(i).unwrap().index(), i);
        }
        assert_eq!(Part::at(PART_COUNT), None);
    }
}
