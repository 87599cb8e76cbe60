//! What one unit's wear is reckoned by, and the account of its whole life.
//!
//! Wear is accumulated under the common law ([`Erosion::common`]), which keeps it comparable over years. The settings of condition
//! `wear_limit` are applied when it is read: another life scales every share; another exponent lies between two that are kept
//! and is read off between them on a logarithmic scale. A sum of powers is log-convex in the exponent (Hölder's inequality), so
//! that is never too low, and it is exact where every break had the same current.
//!
//! To what was seen is added what the counter stood for at the first reading ([`super::start`]). Contacts renewed since then have
//! only a part of what was seen: the part of the operations that the counter has counted since, taken as evenly spread.

use super::{
    ContactWear, EXPONENTS, Erosion, Estimate, PART_COUNT, Part, StartAssumption, Wear, WearModel, start,
};
use crate::{
    Nameplate,
    conditions::{Condition, Settings},
    dwell::whole,
};

/// The settings of one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WearBasis {
    /// The model with its law.
    pub model: WearModel,
    /// What is assumed of the time before the first reading.
    pub start: StartAssumption,
    /// What the counter showed when the contacts were new.
    pub counter_when_new: u64,
    kept: Erosion,
}

/// What is known of the operations that nobody watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Past {
    /// So many before the first reading, with the contacts that are in now.
    Counted(u64),
    /// No counter: what was before is not known, and not in the shares.
    Unknown,
    /// The contacts are newer than the first reading; of the wear seen since then this part is theirs, 0 to 1.
    Renewed(f64),
}

/// Why there is no account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoAccount {
    /// The changer has not the 32 steps of nine contacts.
    OtherDial,
    /// The law cannot price an operation: no rated current.
    NoRating,
}

/// The life of every part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Account {
    parts: [(Estimate, Estimate); PART_COUNT],
    /// What is known of the time before.
    pub past: Past,
}

impl WearBasis {
    /// Of a unit with these settings of condition `wear_limit`.
    #[must_use]
    pub fn of(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::WearLimit, name);
        let mut model = WearModel::common(nameplate);
        let kept = model.law;
        model.law.life_operations = get("life_operations");
        model.law.exponent = get("exponent");
        model.assumed_current = get("assumed_current_percent") / 100.0;
        Self {
            model,
            start: StartAssumption::about(model.assumed_current),
            counter_when_new: whole(get("counter_when_new")).unwrap_or(0),
            kept,
        }
    }

    /// A part's share under these settings, of what was accumulated under the common law.
    #[must_use]
    pub fn share(&self, wear: &Wear) -> Estimate {
        let scale = self.kept.life_operations / self.model.law.life_operations;
        let [low, set, high] = wear.by_exponent().map(|share| share * scale);
        let (a, b, n) = (EXPONENTS.0, EXPONENTS.1, self.model.law.exponent);
        let likely = if n < self.kept.exponent {
            between((a, low), (self.kept.exponent, set), n)
        } else {
            between((self.kept.exponent, set), (b, high), n)
        };
        Estimate { low: low.min(high).min(likely), likely, high: low.max(high).max(likely) }
    }

    /// The account of a unit: of what was seen, the counter at the first reading, and the counter now.
    ///
    /// # Errors
    /// [`NoAccount`] says why there is none.
    pub fn account(
        &self,
        seen: &ContactWear,
        first_counter: Option<u64>,
        counter_now: Option<u64>,
    ) -> Result<Account, NoAccount> {
        if !self.model.knows_dial() {
            return Err(NoAccount::OtherDial);
        }
        let past = self.past(first_counter, counter_now);
        let (before, part_seen) = match past {
            Past::Counted(n) => (n, 1.0),
            Past::Unknown => (0, 1.0),
            Past::Renewed(part) => (0, part),
        };
        let (contact, finger) = start(before, &self.model.law, &self.start).ok_or(NoAccount::NoRating)?;
        let mut parts = [(Estimate::default(), Estimate::default()); PART_COUNT];
        for (part, wear) in seen.parts() {
            let begun = if matches!(part, Part::Contact(_)) { contact } else { finger };
            let Estimate { low, likely, high } = self.share(&wear);
            let share = Estimate { low: low * part_seen, likely: likely * part_seen, high: high * part_seen };
            parts[part.index()] = (begun, share);
        }
        Ok(Account { parts, past })
    }

    fn past(&self, first: Option<u64>, now: Option<u64>) -> Past {
        let new = self.counter_when_new;
        match (first, now) {
            (None, _) => Past::Unknown,
            (Some(first), _) if first >= new => Past::Counted(first - new),
            #[allow(clippy::cast_precision_loss, reason = "counts of operations")]
            (Some(first), Some(now)) if now >= new => {
                Past::Renewed((now - new) as f64 / (now - first) as f64)
            }
            _ => Past::Unknown,
        }
    }
}

impl Account {
    /// Share of a part's life used: assumed before the first reading, and seen since.
    #[must_use]
    pub fn part(&self, part: Part) -> (Estimate, Estimate) {
        self.parts.get(part.index()).copied().unwrap_or_default()
    }

    /// Both together.
    #[must_use]
    pub fn used(&self, part: Part) -> Estimate {
        let (before, since) = self.part(part);
        before + since
    }

    /// The part with the largest likely share; the first of them when alike.
    #[must_use]
    pub fn worst(&self) -> (Part, Estimate) {
        let parts = (0..PART_COUNT).filter_map(Part::at).map(|part| (part, self.used(part)));
        let first = (Part::Contact(0), self.used(Part::Contact(0)));
        parts.fold(first, |a, b| if b.1.likely > a.1.likely { b } else { a })
    }
}

/// The share at exponent `n` between two, on a logarithmic scale; on a plain one where either is nothing.
fn between((a, at_a): (f64, f64), (b, at_b): (f64, f64), n: f64) -> f64 {
    if b <= a {
        return at_b;
    }
    let along = ((n - a) / (b - a)).clamp(0.0, 1.0);
    if at_a > 0.0 && at_b > 0.0 {
        (at_a.ln() * (1.0 - along) + at_b.ln() * along).exp()
    } else {
        at_a * (1.0 - along) + at_b * along
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wear::{Dial, Finger};

    fn basis(sets: &[(&str, f64)]) -> WearBasis {
        let mut settings = Settings::default();
        for (name, value) in sets {
            settings.set(Condition::WearLimit, name, *value);
        }
        WearBasis::of(&Nameplate::common(), &settings)
    }

    fn worn(load_a: &[f64]) -> ContactWear {
        let law = Erosion::common(Nameplate::common().rated_current_a);
        let mut wear = ContactWear::default();
        for a in load_a {
            wear.note(&law, Dial::Ring, (2, 3), 10_000, (*a, 1.0));
        }
        wear
    }

    /// What a model with these settings would have accumulated itself.
    fn accumulated(basis: &WearBasis, load_a: &[f64]) -> f64 {
        let mut wear = ContactWear::default();
        for a in load_a {
            wear.note(&basis.model.law, Dial::Ring, (2, 3), 10_000, (*a, 1.0));
        }
        wear.part(Part::Contact(1)).share().likely
    }

    #[test]
    fn common_settings_read_what_was_kept() {
        let wear = worn(&[80.0, 150.0]);
        let part = wear.part(Part::Contact(1));
        let (read, kept) = (basis(&[]).share(&part), part.share());
        for (a, b) in [(read.low, kept.low), (read.likely, kept.likely), (read.high, kept.high)] {
            assert!((a - b).abs() < 1e-12, "{read:?} {kept:?}");
        }
    }

    #[test]
    fn another_life_scales_and_another_exponent_is_read_off_between() {
        let one = worn(&[100.0]);
        for exponent in [1.0, 1.2, 1.6, 1.9, 2.0] {
            let set = basis(&[("life_operations", 25_000.0), ("exponent", exponent)]);
            let read = set.share(&one.part(Part::Contact(1))).likely;
            let direct = accumulated(&set, &[100.0]);
            assert!((read / direct - 1.0).abs() < 1e-6, "one current is exact: {read} {direct}");
            let mixed = [20.0, 60.0, 219.0, 260.0];
            let read = set.share(&worn(&mixed).part(Part::Contact(1))).likely;
            let direct = accumulated(&set, &mixed);
            let over = read / direct - 1.0;
            assert!((-1e-6..0.03).contains(&over), "a mixture is never too low: {exponent} {over}");
        }
    }

    #[test]
    fn the_past_is_the_counter_less_what_it_showed_when_new() {
        let wear = worn(&[100.0]);
        let new = basis(&[("counter_when_new", 4_000.0)]);
        let account = new.account(&wear, Some(24_000), Some(34_000)).unwrap();
        assert_eq!(account.past, Past::Counted(20_000));
        let (contact, finger) = start(20_000, &new.model.law, &new.start).unwrap();
        assert_eq!(account.part(Part::Contact(5)).0, contact);
        assert_eq!(account.part(Part::Finger(Finger::Behind)).0, finger);
        let (part, used) = account.worst();
        assert_eq!(part, Part::Finger(Finger::Ahead), "2 to 3 moves the finger ahead");
        let seen = wear.part(part).share().likely;
        assert!((used.likely - finger.likely - seen).abs() < 1e-9);
    }

    #[test]
    fn renewed_contacts_have_their_part_and_no_counter_is_an_unknown_past() {
        let wear = worn(&[100.0]);
        let seen = wear.part(Part::Contact(1)).share().likely;
        let renewed =
            basis(&[("counter_when_new", 6_000.0)]).account(&wear, Some(1_000), Some(11_000)).unwrap();
        assert_eq!(renewed.past, Past::Renewed(0.5));
        assert!((renewed.used(Part::Contact(1)).likely - 0.5 * seen).abs() < 1e-9);
        let none = basis(&[]).account(&wear, None, None).unwrap();
        assert_eq!(none.past, Past::Unknown);
        assert!((none.used(Part::Contact(1)).likely - seen).abs() < 1e-9);
        assert_eq!(none.part(Part::Contact(1)).0, Estimate::default());
    }

    #[test]
    fn what_cannot_be_reckoned_says_why() {
        let of = |nameplate: Nameplate| {
            WearBasis::of(&nameplate, &Settings::default()).account(&ContactWear::default(), Some(1), Some(2))
        };
        assert_eq!(of(Nameplate { step_count: 16, ..Nameplate::common() }), Err(NoAccount::OtherDial));
        assert_eq!(of(Nameplate { rated_current_a: 0.0, ..Nameplate::common() }), Err(NoAccount::NoRating));
    }
}
