//! What is typed of a window, on the clock of its place, and what it means.

use chrono::{LocalResult, NaiveDateTime, TimeDelta, TimeZone};
use chrono_tz::Tz;
use regulator::Timestamp;
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    thresholds::Places,
    windows::{Field, Typed},
};

use crate::pages::notes;

/// As browsers write a day and a time.
pub(super) const LOCAL: &str = "%Y-%m-%dT%H:%M";
/// Longest window: what lasts longer is no maintenance, and alarms would be forgotten behind it.
const LONGEST: TimeDelta = TimeDelta::days(31);
/// Longest reason, in characters.
const LONGEST_REASON: usize = 500;

/// What the form carries.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Sent {
    pub(super) scope: String,
    pub(super) from: String,
    pub(super) to: String,
    pub(super) reason: String,
}

impl Sent {
    pub(super) fn again(self) -> Typed {
        Typed { scope: self.scope, from: self.from, to: self.to, reason: self.reason }
    }
}

/// Where a window can be.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) kind: String,
    pub(super) id: i32,
    pub(super) zone: Tz,
}

/// What it means.
#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) place: Place,
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) reason: String,
}

/// The place that a form names as `site:20001`; nothing when there is none. Its zone is that of most of its sites.
pub(super) async fn place(db: &mut PgConnection, scope: &str) -> sqlx::Result<Option<Place>> {
    let Some((kind, id)) = scope.split_once(':') else { return Ok(None) };
    let Ok(id) = id.parse::<i32>() else { return Ok(None) };
    let zone = sqlx::query_scalar!(
        "select s.time_zone from site s join feeder f on f.id = s.feeder_id
         where case $1 when 'substation' then f.substation_id = $2 when 'feeder' then f.id = $2 when 'site' then s.id = $2
                       when 'regulator' then s.id = (select b.site_id from regulator r join bank b on b.id = r.bank_id where r.id = $2)
                       else false end
         group by s.time_zone order by count(*) desc, s.time_zone limit 1",
        kind,
        id
    )
    .fetch_optional(db)
    .await?;
    Ok(zone.map(|zone| Place { kind: kind.to_owned(), id, zone: zone.parse().unwrap_or(Tz::UTC) }))
}

/// Every place, for the form.
pub(super) async fn places(db: &mut PgConnection) -> sqlx::Result<Vec<Places>> {
    let rows = sqlx::query!(
        r#"select 'substation' as "kind!", u.id as "id!", u.name as "name!" from substation u
               where exists (select from feeder f join site s on s.feeder_id = f.id where f.substation_id = u.id)
           union all
           select p.kind, p.id, p.name from threshold_place p left join regulator r on p.kind = 'regulator' and r.id = p.id
               where p.kind <> 'fleet' and r.retired_at is null
           order by 3, 2"#
    )
    .fetch_all(db)
    .await?;
    let kinds = [
        ("substation", "Substations"),
        ("feeder", "Feeders"),
        ("site", "Sites"),
        ("regulator", "Regulators"),
    ];
    let of = |(kind, title): (&str, &'static str)| Places {
        title,
        places: rows
            .iter()
            .filter(|r| r.kind == kind)
            .map(|r| (format!("{}:{}", r.kind, r.id), r.name.clone()))
            .collect(),
    };
    Ok(kinds.into_iter().map(of).filter(|kind| !kind.places.is_empty()).collect())
}

/// Every field, or the first mistake with its remedy.
pub(super) async fn understood(
    db: &mut PgConnection,
    sent: &Sent,
    now: Timestamp,
) -> sqlx::Result<Result<Wanted, (Field, String)>> {
    let Some(place) = place(db, &sent.scope).await? else {
        let why = "Choose where from the list; the place may have left the inventory.";
        return Ok(Err((Field::Scope, why.to_owned())));
    };
    Ok(times(sent, place.zone, now).and_then(|(from, to)| {
        let reason = notes::plain(&sent.reason);
        match reason.chars().count() {
            0 => Err((Field::Reason, "Say why: whoever sees the marked alarms must know.".to_owned())),
            n if n > LONGEST_REASON => {
                Err((Field::Reason, format!("The reason has {n} characters; {LONGEST_REASON} is the most.")))
            }
            _ => Ok(Wanted { place, from, to, reason }),
        }
    }))
}

fn times(sent: &Sent, zone: Tz, now: Timestamp) -> Result<(Timestamp, Timestamp), (Field, String)> {
    // Of a time that comes twice the window takes in both.
    let from = instant(&sent.from, zone, false).map_err(|why| (Field::From, why))?;
    let to = instant(&sent.to, zone, true).map_err(|why| (Field::To, why))?;
    let refuse = |why: &str| Err((Field::To, why.to_owned()));
    match () {
        () if to <= from => refuse("It must end after it begins."),
        () if to <= now => refuse("It would be over already; a window holds nothing back afterwards."),
        () if to - from > LONGEST => {
            refuse("At most 31 days: alarms are not to be forgotten behind it. Plan another one after it.")
        }
        () => Ok((from, to)),
    }
}

/// The instant of a time on the clock of a place.
fn instant(text: &str, zone: Tz, later: bool) -> Result<Timestamp, String> {
    let text = text.trim();
    let read = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
        .filter(|at| (2000..2200).contains(&chrono::Datelike::year(at)));
    let Some(local) = read else {
        return Err(format!("“{text}” is not a day and a time; write it as 2026-10-31T08:00."));
    };
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => Ok(at.to_utc()),
        LocalResult::Ambiguous(first, second) => Ok(if later { second } else { first }.to_utc()),
        LocalResult::None => Err(format!(
            "{} does not exist in {zone} on that day: clocks are put forward. Take an hour later.",
            local.format("%H:%M")
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DENVER: Tz = Tz::America__Denver;

    fn sent(from: &str, to: &str) -> Sent {
        Sent { from: from.into(), to: to.into(), ..Sent::default() }
    }

    /// The dates of summer time are those of the IANA time zone database: in 2026 from 8 March to 1 November.
    #[test]
    fn times_are_on_the_clock_of_the_place() {
        let now = Timestamp::UNIX_EPOCH;
        let said = |from: &str, to: &str| {
            times(&sent(from, to), DENVER, now).map(|(from, to)| (from.to_rfc3339(), to.to_rfc3339()))
        };
        let (from, to) = said("2026-07-01T08:00", "2026-07-01T12:30").unwrap();
        assert_eq!((from.as_str(), to.as_str()), ("2026-07-01T14:00:00+00:00", "2026-07-01T18:30:00+00:00"));
        let (from, to) = said("2026-11-01T01:30", "2026-11-01T01:30").unwrap();
        assert_eq!((from.as_str(), to.as_str()), ("2026-11-01T07:30:00+00:00", "2026-11-01T08:30:00+00:00"));
        let (field, why) = said("2026-03-08T02:30", "2026-03-08T04:00").unwrap_err();
        assert_eq!(field, Field::From);
        assert!(why.contains("does not exist in America/Denver"), "{why}");
    }

    #[test]
    fn what_cannot_be_is_said_at_its_field() {
        let now = "2026-07-01T00:00:00Z".parse().unwrap();
        for (from, to, field) in [
            ("tomorrow", "2026-07-02T08:00", Field::From),
            ("2026-07-02T08:00", "", Field::To),
            ("2026-07-02T08:00", "2026-07-02T08:00", Field::To),
            ("2026-06-01T08:00", "2026-06-02T08:00", Field::To),
            ("2026-07-02T08:00", "2026-08-03T08:00", Field::To),
            ("0026-07-02T08:00", "2026-08-03T08:00", Field::From),
        ] {
            assert_eq!(times(&sent(from, to), DENVER, now).unwrap_err().0, field, "{from} {to}");
        }
    }
}
