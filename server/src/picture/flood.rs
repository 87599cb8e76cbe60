//! Whether more alarms come than one person can answer, and which, in few lines.
//!
//! What is found in readings that are hours old is history being read in, and no flood.
//!
//! Asked anew with every look at the open alarms, from what was told in the last hours: nothing is remembered that a restart could lose,
//! and what commits late is not missed.

use std::collections::BTreeMap;

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    alarms::flood::{self, WINDOW},
};
use sqlx::PgConnection;
use web::{
    alarms::{Item, grouped},
    flood::FloodPanel,
};

use super::{OpenAlarm, Unit, alarms::OpenAlarms};

/// How far back a flood is followed to its beginning.
const BACK: TimeDelta = TimeDelta::hours(12);
/// And at most so many alarms.
const MOST: i64 = 2000;

/// When alarms were told to people lately, in order of time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Told {
    at: Vec<Timestamp>,
    /// There were more before.
    cut: bool,
}

/// Reads them.
pub(super) async fn told(connection: &mut PgConnection, now: Timestamp) -> sqlx::Result<Told> {
    let mut at = sqlx::query_scalar!(
        "select recorded_at from alarm_transition
         where kind in ('raised', 'raised_again', 'unshelved', 'silence_ended', 'maintenance_ended', 'put_back')
           and coalesce(process, 'unacknowledged') = 'unacknowledged' and coalesce(holds, '{}') = '{}'
           and recorded_at > $1 and at > recorded_at - interval '1 hour'
         order by recorded_at desc limit $2",
        now - BACK,
        MOST
    )
    .fetch_all(connection)
    .await?;
    at.reverse();
    let cut = i64::try_from(at.len()).is_ok_and(|n| n == MOST);
    Ok(Told { at, cut })
}

impl Told {
    /// The flood that goes on at `now`, with the open alarms in lines.
    pub(super) fn panel(
        &self,
        now: Timestamp,
        open: &OpenAlarms,
        units: &[Unit],
        zone: Tz,
    ) -> Option<FloodPanel> {
        // Below this no flood can begin or go on, whatever came before.
        if self.at.len() <= flood::BEGINS_ABOVE {
            return None;
        }
        let of = flood::periods(self.at.iter().copied(), now);
        let flood = of.last().filter(|f| f.to.is_none())?;
        let first = self.at.first().is_some_and(|first| flood.from - *first < WINDOW);
        Some(FloodPanel {
            since: flood.from,
            or_earlier: self.cut && first,
            in_ten_minutes: self.at.iter().filter(|at| now - **at < WINDOW).count(),
            lines: grouped(&items(open, units)),
            zone,
        })
    }
}

/// Every open alarm that nothing holds, with its substation.
fn items(open: &OpenAlarms, units: &[Unit]) -> Vec<Item> {
    let named = |unit: &Unit| (unit.regulator.substation.id, unit.regulator.substation.name.clone());
    let of_regulator: BTreeMap<i32, (i32, String)> =
        units.iter().map(|u| (u.regulator.id, named(u))).collect();
    let mut of_endpoint: BTreeMap<i32, Option<(i32, String)>> = BTreeMap::new();
    for unit in units {
        let own = Some(named(unit));
        let seen = of_endpoint.entry(unit.regulator.endpoint_id).or_insert_with(|| own.clone());
        if *seen != own {
            *seen = None;
        }
    }
    let names: BTreeMap<i32, String> = of_regulator.values().cloned().collect();
    let regulators = open.of_regulator.iter().map(|(id, alarms)| (of_regulator.get(id).cloned(), alarms));
    let endpoints =
        open.of_endpoint.iter().map(|(id, alarms)| (of_endpoint.get(id).cloned().flatten(), alarms));
    let substations =
        open.of_substation.iter().map(|(id, alarms)| (names.get(id).map(|name| (*id, name.clone())), alarms));
    let others = open.of_poller.values().chain([&open.of_part]).map(|alarms| (None, alarms));
    regulators
        .chain(endpoints)
        .chain(substations)
        .chain(others)
        .flat_map(|(substation, alarms)| {
            alarms.iter().filter(|a| a.held.is_none()).map(move |a| item(a, substation.clone()))
        })
        .collect()
}

fn item(alarm: &OpenAlarm, substation: Option<(i32, String)>) -> Item {
    Item {
        condition: alarm.condition,
        priority: alarm.priority,
        substation,
        acknowledged: alarm.acknowledged,
        raised_at: alarm.raised_at,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::seconds(s)
    }

    /// The figures are those of `regulator::alarms::flood`: more than ten in ten minutes; over with fewer than five.
    #[test]
    fn the_panel_comes_with_the_eleventh_and_goes_by_itself() {
        let told = |n: i64| Told { at: (0..n).map(|i| at(i * 20)).collect(), cut: false };
        let panel = |told: &Told, now| told.panel(at(now), &OpenAlarms::default(), &[], Tz::UTC);
        assert_eq!(panel(&told(10), 200), None);
        let flood = panel(&told(11), 200).unwrap();
        assert_eq!((flood.since, flood.in_ten_minutes, flood.or_earlier), (at(200), 11, false));
        assert!(panel(&told(11), 700).is_some(), "six are less than ten minutes old");
        assert_eq!(panel(&told(11), 800), None, "four are left");
        let long = Told { cut: true, ..told(11) };
        assert!(panel(&long, 200).unwrap().or_earlier);
    }
}
