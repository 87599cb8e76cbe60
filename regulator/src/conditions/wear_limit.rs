//! A contact has used up most of its estimated life, or will have before long.
//!
//! The estimate is that of [`crate::wear`]: erosion K·Iⁿ of the contacts that each operation breaks, 1 being so many operations at
//! rated current. To what was seen is added what the counter at the first reading stands for, less what it showed when the
//! contacts were new; change that setting after contacts were replaced, and the account begins anew. The rate is a mean that
//! fades with a time constant; before enough days are covered there is no forecast.
//!
//! Looked at with every operation and once an hour. True when the worst part's share reaches the limit, or its end lies within
//! the days ahead; true no longer when both are past, the days by a quarter more (the deadband).

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::seconds,
    words::{fact, number},
};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    dwell::whole,
    mechanism::News,
    wear::{ContactWear, PART_COUNT, Part, WearBasis, WearMeter, WearModel, start},
};

/// Seconds between two looks without an operation.
const LOOK_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    share: f64,
    ahead_days: f64,
    /// How far off the end must be to be no concern again.
    again_days: f64,
    rate_s: f64,
    least_s: f64,
    counter_when_new: u64,
    model: WearModel,
    /// Share that one operation before the first reading stands for: worst contact, finger.
    start: (f64, f64),
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::WearLimit, name);
        let WearBasis { model, start: assumed, counter_when_new, .. } = WearBasis::of(nameplate, settings);
        // a thousand, so that nothing is lost in a share of one
        let begun = start(1000, &model.law, &assumed)
            .map_or((0.0, 0.0), |(contact, finger)| (contact.likely / 1000.0, finger.likely / 1000.0));
        Self {
            share: get("share_percent") / 100.0,
            ahead_days: get("ahead_days"),
            again_days: get("ahead_days") * (1.0 + get("deadband_percent") / 100.0),
            rate_s: get("rate_days") * DAY_S,
            least_s: get("least_days") * DAY_S,
            counter_when_new,
            model,
            start: begun,
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct WearLimit {
    active: bool,
    meter: WearMeter,
    /// Billionths of a life used since the first reading.
    used: [u64; PART_COUNT],
    /// The counter at the first reading that had one.
    first: Option<u64>,
    /// The setting that the account was begun with.
    when_new: Option<u64>,
    /// Share of life used of late, fading.
    recent: [f32; PART_COUNT],
    /// Since when `recent` is kept, and when it was last brought up to date.
    covered: Option<(Timestamp, Timestamp)>,
}

/// The worst part as it stands.
struct View {
    part: Part,
    share: f64,
    /// Of it assumed for the time before the first reading.
    assumed: f64,
    /// Share a day, and days until the end, once there is enough history and wear.
    ahead: Option<(f64, f64)>,
}

impl WearLimit {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        let news = self.meter.read(&limits.model, reading);
        let (_, looked) = *self.covered.get_or_insert((at, at));
        if self.when_new != Some(limits.counter_when_new) {
            self.begin(limits);
        }
        if self.first.is_none() {
            self.first = reading.good(Quantity::Operations).and_then(whole);
        }
        if news == News::default() && seconds(looked, at) < LOOK_S {
            return;
        }
        self.fade(limits, at);
        if news != News::default() {
            self.add(limits, reading, news);
        }
        let view = self.view(limits, at);
        let near = |days: f64| view.ahead.is_some_and(|(_, left)| left <= days);
        let so = match self.active {
            false => view.share >= limits.share || near(limits.ahead_days),
            true => view.share >= limits.share || near(limits.again_days),
        };
        if so != self.active {
            self.active = so;
            out.push(view.transition(if so { Change::Raised } else { Change::Returned }, at, limits));
        }
    }

    /// Drops instants learnt under a clock that turned out to be wrong; what was worn stays worn.
    pub(super) fn forget(&mut self) {
        self.meter.forget();
        self.recent = [0.0; PART_COUNT];
        self.covered = None;
    }

    /// Begins the account: contacts are new since the counter of the setting.
    fn begin(&mut self, limits: &Limits) {
        let replaced = self.when_new.is_some();
        self.when_new = Some(limits.counter_when_new);
        self.used = [0; PART_COUNT];
        if replaced {
            self.first = self.meter.counter();
        }
    }

    fn fade(&mut self, limits: &Limits, at: Timestamp) {
        let Some((_, to)) = &mut self.covered else { return };
        let passed = (-seconds(*to, at) / limits.rate_s).exp();
        *to = at;
        #[allow(clippy::cast_possible_truncation, reason = "a factor below 1")]
        self.recent.iter_mut().for_each(|share| *share *= passed as f32);
    }

    fn add(&mut self, limits: &Limits, reading: &Reading, news: News) {
        let mut wear = ContactWear::default();
        self.meter.place(&limits.model, reading, news, &mut wear);
        for (part, wear) in wear.parts() {
            let i = part.index();
            let share = wear.share().likely;
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "shares are not negative, and whole billionths"
            )]
            {
                self.used[i] = self.used[i].saturating_add((share * 1e9).round() as u64);
                self.recent[i] += share as f32;
            }
        }
    }

    fn view(&self, limits: &Limits, at: Timestamp) -> View {
        #[allow(clippy::cast_precision_loss, reason = "counts of operations")]
        let before = self.first.map_or(0, |n| n.saturating_sub(limits.counter_when_new)) as f64;
        let assumed = |part: Part| match part {
            Part::Contact(_) => before * limits.start.0,
            Part::Finger(_) => before * limits.start.1,
        };
        #[allow(clippy::cast_precision_loss, reason = "billionths of a life")]
        let share = |part: Part| self.used[part.index()] as f64 / 1e9 + assumed(part);
        let parts = (0..PART_COUNT).filter_map(Part::at);
        let part = parts.fold(Part::Contact(0), |a, b| if share(b) > share(a) { b } else { a });
        let ahead = self.rate_a_day(limits, part, at).map(|rate| (rate, (1.0 - share(part)).max(0.0) / rate));
        View { part, share: share(part), assumed: assumed(part), ahead }
    }

    /// Share of life a day, once enough days are covered and there is any.
    fn rate_a_day(&self, limits: &Limits, part: Part, at: Timestamp) -> Option<f64> {
        let covered_s = seconds(self.covered?.0, at);
        let recent = f64::from(self.recent[part.index()]);
        if covered_s < limits.least_s || recent <= 0.0 {
            return None;
        }
        // what the fading sum would be of a rate of one a second
        let weight = limits.rate_s * (1.0 - (-covered_s / limits.rate_s).exp());
        Some(recent / weight * DAY_S)
    }
}

impl View {
    fn transition(&self, change: Change, at: Timestamp, limits: &Limits) -> Transition {
        let percent = |share: f64| number(100.0 * share, 0);
        let mut summary = format!("{} at {} % of its estimated life", self.part.title(), percent(self.share));
        if self.assumed > 0.005 {
            summary += &format!(", {} % of it assumed from the counter", percent(self.assumed));
        }
        if let Some((rate, days)) = self.ahead {
            summary +=
                &format!(", wearing {} % a day, end in about {} d", number(100.0 * rate, 3), number(days, 0));
        }
        let limit = format!("limit {} % or {} d", percent(limits.share), number(limits.ahead_days, 0));
        summary += &match change {
            Change::Raised => format!("; {limit}"),
            Change::Returned => format!("; again beyond {limit}"),
        };
        let mut facts = vec![
            fact("Share of estimated life used, worst part", 100.0 * self.share, "%"),
            fact("Of it assumed for the time before the first reading", 100.0 * self.assumed, "%"),
            fact("Limit", 100.0 * limits.share, "%"),
        ];
        if let Some((rate, days)) = self.ahead {
            facts.push(fact("Wear a day", 100.0 * rate, "%"));
            facts.push(fact("Days until the estimated end", days, "d"));
        }
        Transition { condition: Condition::WearLimit, change, at, summary, facts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    struct Watch {
        story: Story,
        hour: i64,
        tap: i32,
        operations: u32,
    }

    impl Watch {
        fn new(operations: u32) -> Self {
            let mut story = Story::common();
            story.set(Condition::ExcessTapping, "per_day", 5000.0);
            story.set(Condition::ExcessTapping, "per_hour", 1000.0);
            story.set(Condition::ExcessTapping, "baseline_least", 5000.0);
            Self { story, hour: 0, tap: 3, operations }
        }

        /// Days of so many operations an hour (even), back and forth over one step at rated current.
        fn days(&mut self, days: i64, an_hour: u32) -> Vec<String> {
            let mut told = vec![];
            for _ in 0..days * 24 {
                self.operations += an_hour;
                // two readings an hour, so that tap and counter are seen at rest
                for s in [0, 1800] {
                    let reading = Reading::new(at(self.hour * 3600 + s))
                        .with(Quantity::Tap, f64::from(self.tap))
                        .with(Quantity::Operations, f64::from(self.operations))
                        .with(Quantity::LoadVoltage, 120.0)
                        .with(Quantity::Current, 219.0);
                    told.extend(self.story.observe(&reading));
                }
                self.hour += 1;
            }
            told.retain(|line| line.contains("wear_limit"));
            told
        }
    }

    #[test]
    fn a_common_unit_in_common_service_raises_nothing() {
        // 60 000 operations before, then a year of 24 a day, at rated current at that
        let mut watch = Watch::new(60_000);
        assert_eq!(watch.days(365, 2)[..], [""; 0]);
    }

    #[test]
    fn a_hard_worked_unit_is_told_before_its_end_and_a_rest_ends_it() {
        let mut watch = Watch::new(0);
        // 240 a day out and back about tap 3 at rated current: six of ten are between 3 and 4 and move the finger behind,
        // 144 a day or 0.288 % of a life (arithmetic)
        let told = watch.days(60, 10);
        assert_eq!(told.len(), 1, "{told:?}");
        // told as soon as thirty days are covered
        let words =
            "2592000 wear_limit raised: finger behind at 9 % of its estimated life, wearing 0.288 % a day";
        assert!(told[0].starts_with(words), "{told:?}");
        let told = watch.days(120, 0);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("wear_limit returned"), "{told:?}");
    }

    #[test]
    fn a_worn_part_is_told_and_new_contacts_end_it() {
        let mut watch = Watch::new(0);
        watch.story.set(Condition::WearLimit, "life_operations", 1000.0);
        watch.story.set(Condition::WearLimit, "least_days", 365.0);
        let told = watch.days(10, 10);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("at 80 % of its estimated life; limit 80 % or 365 d"), "{told:?}");
        let counter = f64::from(watch.operations);
        watch.story.set(Condition::WearLimit, "counter_when_new", counter);
        let told = watch.days(1, 0);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("wear_limit returned"), "{told:?}");
    }

    #[test]
    fn a_long_history_counts_by_assumption_and_says_so() {
        let mut watch = Watch::new(400_000);
        let told = watch.days(1, 0);
        assert_eq!(told.len(), 1, "{told:?}");
        // a finger: half of 400 000 at half of rated current. Broken is (0.25, 0.25) of rated, against (0.5, 0.25) at rated:
        // (0.35355 / 0.55902)^1.6 = 0.4804, times 4 lives (arithmetic)
        assert!(
            told[0].contains("at 192 % of its estimated life, 192 % of it assumed from the counter"),
            "{told:?}"
        );
    }

    #[test]
    fn the_state_stays_small() {
        let mut watch = Watch::new(123_456);
        watch.days(40, 8);
        let state = WearLimit {
            used: [987_654_321; PART_COUNT],
            recent: [0.123_456_79; PART_COUNT],
            ..WearLimit::default()
        };
        assert!(serde_json::to_string(&state).unwrap().len() < 700);
    }
}
