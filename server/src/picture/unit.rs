//! One regulator in the picture, and how its row comes about.

use std::sync::Arc;

use chrono::TimeDelta;
use regulator::{Quantity, Reading, Timestamp, alarms::State as AlarmState, conditions::Scope};
use web::board::{Bar, Cell, Flow, Live, Mark, Place, Row, State, number};

use super::{OpenAlarm, day, today::Today};
use crate::inventory::Regulator;

/// Poll intervals after which a reading counts as old on the board; alarms have their own, longer measure.
const OLD_POLLS: f64 = 3.0;
/// And at least this many seconds.
const OLD_LEAST_S: f64 = 30.0;

/// One regulator.
#[derive(Debug, Clone)]
pub struct Unit {
    /// What the inventory says of it.
    pub regulator: Arc<Regulator>,
    /// Its newest reading.
    pub latest: Option<Reading>,
    /// Its row.
    pub row: Arc<Row>,
    /// The version of the picture in which its row last changed.
    pub changed: u64,
    pub(super) today: Today,
    pub(super) dirty: bool,
    old_after: TimeDelta,
}

impl Unit {
    /// A regulator of which nothing is known yet.
    pub(super) fn new(regulator: Arc<Regulator>, banks_at_site: usize, now: Timestamp) -> Self {
        let zone = day::zone(&regulator.time_zone);
        let place = place(&regulator, banks_at_site);
        let old_s = (OLD_POLLS * regulator.nameplate.poll_interval_s).max(OLD_LEAST_S);
        let old_after = TimeDelta::try_milliseconds(whole(old_s * 1000.0)).unwrap_or(TimeDelta::MAX);
        let row = Row { live: nothing(regulator.id), band: String::new(), place };
        let today = Today::new(now, zone);
        Self { regulator, latest: None, row: Arc::new(row), changed: 0, today, dirty: true, old_after }
    }

    /// Takes a reading in, in whatever order readings come.
    pub(super) fn take(&mut self, reading: Reading) {
        self.today.count(&reading, self.regulator.nameplate.counter_modulus);
        if self.latest.as_ref().is_none_or(|l| reading.measured_at >= l.measured_at) {
            self.latest = Some(reading);
        }
        self.dirty = true;
    }

    /// Whether its newest reading is too old to stand for now.
    #[must_use]
    pub fn is_old(&self, now: Timestamp) -> bool {
        self.latest.as_ref().is_some_and(|l| now - l.measured_at > self.old_after)
    }

    /// How it is at `now`, given the alarms that concern it.
    fn state(&self, now: Timestamp, worst: Option<&OpenAlarm>) -> State {
        let own = match &self.latest {
            None => State::NoData,
            Some(_) if self.is_old(now) => State::Stale,
            Some(l) if l.good(Quantity::LoadVoltage).is_none() => State::Doubtful,
            Some(l) if l.flag(Quantity::Automatic) == Some(false) => State::NotAutomatic,
            Some(_) => State::Healthy,
        };
        worst.map_or(own, |alarm| own.min(State::of_alarm(alarm.priority)))
    }

    /// Draws the row anew if something about it has changed; tells whether the row is another.
    pub(super) fn redraw(&mut self, now: Timestamp, alarms: &[&OpenAlarm], maintenance: bool) -> bool {
        self.dirty |= self.today.roll(now);
        // What is held is named, but calls nobody; a wider silence is told once, and its rows are stale by themselves.
        let counts = |a: &&OpenAlarm| {
            a.held.is_none() && !matches!(a.condition.scope(), Scope::Substation | Scope::Poller)
        };
        let state = self.state(now, alarms.iter().copied().filter(counts).max_by_key(|a| a.priority));
        let old = self.is_old(now);
        if !self.dirty && state == self.row.live.state && old == self.row.live.old {
            return false;
        }
        self.dirty = false;
        let live = Live { maintenance, ..self.live(state, old, alarms) };
        if live == self.row.live {
            return false;
        }
        let place = self.row.place.clone();
        self.row = Arc::new(Row { place, live, band: self.band() });
        true
    }

    fn live(&self, state: State, old: bool, alarms: &[&OpenAlarm]) -> Live {
        let mut live = self.latest.as_ref().map_or_else(|| nothing(self.regulator.id), |l| self.measured(l));
        live.state = state;
        live.level = state.level();
        live.word = state.word();
        live.old = old;
        if old {
            for cell in [&mut live.volts, &mut live.amps, &mut live.power, &mut live.tap] {
                cell.outdate();
            }
        }
        live.ops =
            self.today.operations().map_or_else(|| Cell::missing("none"), |n| Cell::good(n.to_string()));
        live.alarms = alarms
            .iter()
            .map(|a| Mark {
                id: a.id,
                title: a.condition.title(),
                level: State::of_alarm(a.priority).level(),
                acknowledged: a.acknowledged,
                held: a.held.map(held_word),
            })
            .collect();
        live
    }

    fn measured(&self, reading: &Reading) -> Live {
        let power = reading.good(Quantity::RealPower);
        let flow = Flow::of(power);
        Live {
            volts: Cell::of(reading, Quantity::LoadVoltage, 1),
            bar: Bar::of(reading, self.regulator.nameplate.voltage_base_v),
            amps: Cell::of(reading, Quantity::Current, 0),
            power: power.map_or_else(
                || Cell::of(reading, Quantity::RealPower, 0),
                |p| Cell::good(number(p.abs(), 0, Quantity::RealPower.unit())),
            ),
            flow,
            way: flow.words(),
            tap: Cell::tap(reading),
            at: Some(reading.measured_at.timestamp_millis()),
            ..nothing(self.regulator.id)
        }
    }

    fn band(&self) -> String {
        let settings =
            self.latest.as_ref().and_then(|l| l.good(Quantity::SetVoltage).zip(l.good(Quantity::Bandwidth)));
        settings.map_or_else(
            || "band not reported".to_owned(),
            |(set, width)| format!("band {:.1} to {:.1} V", set - width / 2.0, set + width / 2.0),
        )
    }
}

/// A word for what keeps an alarm from people.
const fn held_word(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Shelved => "shelved",
        AlarmState::OutOfService => "out of service",
        _ => "suppressed",
    }
}

#[allow(
    clippy::cast_possible_truncation,
    reason = "intervals are far below 2^63 ms, and a float cast saturates"
)]
fn whole(value: f64) -> i64 {
    value as i64
}

fn place(regulator: &Regulator, banks_at_site: usize) -> Place {
    Place {
        substation: regulator.substation.name.clone(),
        feeder: regulator.feeder.name.clone(),
        site: regulator.site.name.clone(),
        bank: regulator.bank.name.clone(),
        phase: regulator.phase.name(),
        substation_id: regulator.substation.id,
        feeder_id: regulator.feeder.id,
        site_id: regulator.site.id,
        banks_at_site,
    }
}

/// The row of a regulator that has never sent a reading.
fn nothing(id: i32) -> Live {
    let none = || Cell::missing("none");
    Live {
        id,
        state: State::NoData,
        level: State::NoData.level(),
        word: State::NoData.word(),
        old: false,
        volts: none(),
        bar: Bar::default(),
        amps: none(),
        power: none(),
        flow: Flow::None,
        way: "",
        tap: none(),
        ops: none(),
        at: None,
        alarms: vec![],
        maintenance: false,
    }
}
