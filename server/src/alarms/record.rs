//! Takes events, records the steps, and says what is owed to people.

use std::collections::{HashMap, HashSet};

use regulator::{
    Timestamp,
    alarms::{Effect, Event, Hold, Refusal},
    conditions::Condition,
};
use sqlx::PgConnection;

use super::{
    act::Act,
    maintenance::Windows,
    occurrences::{self, New, Occurrences},
    place::Place,
    point::{self, Key, Occurrence, Out, Point, Shelf},
    silences::{self, Silences},
    steps::{self, Step},
};
use crate::locks;

/// What was recorded, and what is owed to people.
#[derive(Debug, Default)]
pub(crate) struct Recorded {
    pub(crate) raised: u64,
    pub(crate) returned: u64,
    /// Steps that announce an alarm, in order (rows of `alarm_transition`).
    pub(crate) announced: Vec<i64>,
    /// Steps by which an alarm returned, that people may have been told of.
    pub(crate) ended: Vec<i64>,
    /// Alarms about which nobody needs to be called any more.
    pub(crate) quieted: Vec<i64>,
    /// Events that had no meaning, with why.
    pub(crate) refused: Vec<(Key, Event, Refusal)>,
}

impl Recorded {
    /// Whether people are owed anything.
    pub(crate) fn owes(&self) -> bool {
        !(self.announced.is_empty() && self.ended.is_empty() && self.quieted.is_empty())
    }
}

/// Takes these events in their order (see [`super::in_order`]). Those that have no meaning (an alarm that is raised already is raised) are left
/// out and told in [`Recorded::refused`]: should the memory of conditions ever be lost or set back, alarms still stay single.
///
/// Whoever knows of `silences` has alarms suppressed by them; an alarm whose place is under maintenance is suppressed in any case.
///
/// # Errors
/// When the database fails; the caller's transaction is then to be given up.
pub(crate) async fn record(
    connection: &mut PgConnection,
    acts: Vec<Act>,
    silences: Option<&mut Silences>,
) -> sqlx::Result<Recorded> {
    let (Some(first), Some(last)) = (acts.iter().map(|a| a.at).min(), acts.iter().map(|a| a.at).max()) else {
        return Ok(Recorded::default());
    };
    if acts.len() > 1 || silences.is_some() {
        sqlx::query!("select pg_advisory_xact_lock($1)", locks::MANY_ALARMS)
            .execute(&mut *connection)
            .await?;
    }
    let keys: HashSet<Key> = acts.iter().map(|a| (a.place.clone(), a.condition)).collect();
    let mut points = point::lock(&mut *connection, &keys).await?;
    let moves_silences = silences.is_some() && acts.iter().any(|a| silences::hides(a.condition));
    if moves_silences {
        for (key, point) in point::lock_standing(&mut *connection, &silences::hidden()).await? {
            points.entry(key).or_insert(point);
        }
    }
    let mut recorder = Recorder {
        known: occurrences::known(&mut *connection, &acts).await?,
        ids: occurrences::new_ids(&mut *connection, &acts).await?.into_iter(),
        windows: Windows::load(&mut *connection, first, last).await?,
        points,
        silences,
        again: HashSet::new(),
        occurrences: Occurrences::default(),
        steps: Vec::new(),
        recorded: Recorded::default(),
    };
    for act in acts {
        recorder.take(act);
    }
    recorder.write(connection).await
}

struct Recorder<'a> {
    points: HashMap<Key, Point>,
    silences: Option<&'a mut Silences>,
    windows: Windows,
    /// Occurrences that are there already: conditions are run again from an earlier cursor.
    known: HashSet<(Key, Timestamp)>,
    /// Alarms whose known occurrences are being told again.
    again: HashSet<Key>,
    ids: std::vec::IntoIter<i64>,
    occurrences: Occurrences,
    steps: Vec<Step>,
    recorded: Recorded,
}

impl Recorder<'_> {
    fn take(&mut self, act: Act) {
        let key = (act.place.clone(), act.condition);
        match act.event {
            Event::Raise if self.known.contains(&(key.clone(), act.at)) => {
                self.again.insert(key);
                return;
            }
            Event::Raise => {
                self.again.remove(&key);
                self.hold_first(&key, act.at);
            }
            Event::Return => {
                let stale = self.points.get(&key).is_some_and(|p| !p.ends_with(act.at));
                if stale || self.again.contains(&key) {
                    return;
                }
            }
            _ => {}
        }
        let at = act.at;
        let stands = match act.event {
            _ if act.momentary => None,
            Event::Raise => Some(true),
            Event::Return => Some(false),
            _ => None,
        };
        if self.step(&key, act)
            && let Some(stands) = stands
            && let Some(silences) = &mut self.silences
            && silences.heed(key.1, &key.0, stands)
        {
            self.cover_and_uncover(at);
        }
    }

    /// What is to be raised is held first, if there is reason.
    fn hold_first(&mut self, key: &Key, at: Timestamp) {
        let (place, condition) = key;
        if let Some(why) = self.silences.as_ref().and_then(|s| s.why(*condition, place)) {
            self.hold(key, Event::Begin(Hold::Silence), at, why);
        }
        if let Some(why) = self.windows.why(place, at).map(str::to_owned) {
            self.hold(key, Event::Begin(Hold::Maintenance), at, &why);
        }
    }

    /// Begins or ends a hold where it is not so already.
    fn hold(&mut self, key: &Key, event: Event, at: Timestamp, why: &str) {
        let meant = self.points.get(key).is_some_and(|p| p.life().take(event).is_ok());
        if meant {
            self.step(key, Act::new(key.0.clone(), key.1, event, at).because(why));
        }
    }

    /// A silence has begun or ended: what it hides is suppressed, what it hid is not any more.
    fn cover_and_uncover(&mut self, at: Timestamp) {
        let Some(silences) = &self.silences else { return };
        let mut changes: Vec<(Key, Option<&'static str>)> = self
            .points
            .iter()
            .map(|(key, point)| (key, point, silences.why(key.1, &key.0)))
            .filter(|(_, point, why)| match why {
                Some(_) => point.process.is_active() && point.silent_why.is_none(),
                None => point.silent_why.is_some(),
            })
            .map(|(key, _, why)| (key.clone(), why))
            .collect();
        changes.sort();
        for (key, why) in changes {
            match why {
                Some(why) => self.hold(&key, Event::Begin(Hold::Silence), at, why),
                None => self.hold(&key, Event::End(Hold::Silence), at, "what hid it is over"),
            }
        }
    }

    /// One step, if the event has a meaning.
    fn step(&mut self, key: &Key, act: Act) -> bool {
        let Some(point) = self.points.get_mut(key) else { return false };
        let step = match point.life().take(act.event) {
            Ok(step) => step,
            Err(refusal) => {
                self.recorded.refused.push((key.clone(), act.event, refusal));
                return false;
            }
        };
        let held_why = point.held_why();
        // An occurrence that is over has no part in what is done to the alarm after it.
        let had = point.alarm.filter(|_| point.process != regulator::alarms::Process::Normal);
        point.process = step.to.process;
        point.changed = true;
        set_hold(point, &act);
        let announces = step.effect == Effect::Announce;
        let occurrence = match act.event {
            Event::Raise => {
                let Some(id) = self.ids.next() else { return false };
                point.alarm = Some(Occurrence { id, raised_at: act.at });
                let new = New { id, point: point.id, act: act.clone(), announced: announces, held_why };
                self.occurrences.raised.push(new);
                self.recorded.raised += 1;
                Some(id)
            }
            Event::Return => {
                self.recorded.returned += 1;
                had.inspect(|o| self.occurrences.end(o.id, act.at)).map(|o| o.id)
            }
            Event::Acknowledge => {
                self.occurrences.acknowledged.push((point.id, act.clone()));
                had.map(|o| o.id)
            }
            Event::ReAlarm => had.inspect(|o| self.occurrences.raised_again.push(o.id)).map(|o| o.id),
            Event::Begin(_) | Event::End(_) => {
                had.filter(|_| announces).inspect(|o| self.occurrences.announced.push((o.id, act.at)));
                had.map(|o| o.id)
            }
        };
        debug_assert_eq!(point.life(), step.to, "the columns hold what the table says");
        self.steps.push(Step { point: point.id, alarm: occurrence, act, life: step.to, effect: step.effect });
        true
    }

    async fn write(mut self, connection: &mut PgConnection) -> sqlx::Result<Recorded> {
        if self.steps.is_empty() {
            return Ok(self.recorded);
        }
        self.occurrences.write(&mut *connection).await?;
        let ids = steps::insert(&mut *connection, &self.steps).await?;
        point::save(connection, &self.points).await?;
        for (id, step) in ids.into_iter().zip(&self.steps) {
            match step.effect {
                Effect::None => {}
                Effect::Announce => self.recorded.announced.push(id),
                Effect::TellReturn => {
                    self.recorded.ended.push(id);
                    self.recorded.quieted.extend(step.alarm);
                }
                Effect::StopCalling => self.recorded.quieted.extend(step.alarm),
            }
        }
        Ok(self.recorded)
    }
}

/// Keeps with the alarm who holds it and why.
fn set_hold(point: &mut Point, act: &Act) {
    let by = || act.person.clone().unwrap_or_default();
    let why = || act.why.clone().unwrap_or_default();
    match act.event {
        Event::Begin(Hold::Shelf) => {
            point.shelf = Some(Shelf { until: act.until.unwrap_or(act.at), by: by(), why: why() });
        }
        Event::End(Hold::Shelf) => point.shelf = None,
        Event::Begin(Hold::Silence) => point.silent_why = Some(why()),
        Event::End(Hold::Silence) => point.silent_why = None,
        Event::Begin(Hold::Maintenance) => point.maintenance_why = Some(why()),
        Event::End(Hold::Maintenance) => point.maintenance_why = None,
        Event::Begin(Hold::OutOfService) => {
            point.out_of_service = Some(Out { at: act.at, by: by(), why: why() });
        }
        Event::End(Hold::OutOfService) => point.out_of_service = None,
        _ => {}
    }
}

/// Ends, as of when it was retired, what stands of each regulator that has left the inventory.
///
/// # Errors
/// As [`record`].
pub(crate) async fn retire(connection: &mut PgConnection) -> sqlx::Result<Recorded> {
    let rows = sqlx::query!(
        r#"select a.condition, a.regulator_id as "regulator_id!", greatest(a.raised_at, r.retired_at) as "at!"
            from alarm a join regulator r on r.id = a.regulator_id
            where a.returned_at is null and r.retired_at is not null"#
    )
    .fetch_all(&mut *connection)
    .await?;
    let acts = rows.into_iter().filter_map(|row| {
        let condition = Condition::from_name(&row.condition)?;
        let act = Act::new(Place::Regulator(row.regulator_id), condition, Event::Return, row.at);
        Some(act.because("the regulator has left the inventory"))
    });
    record(connection, acts.collect(), None).await
}
