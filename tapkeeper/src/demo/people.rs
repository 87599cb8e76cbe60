//! The fictional people of the demo and their rotas, so that somebody is on call from the first look. What they are sent goes to the demo's inbox.

use std::{collections::BTreeMap, net::SocketAddr};

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use oncall::{
    Priority,
    quiet::{self, QuietHours},
    rota::{Level, PersonId, Rota, Share, Start},
};
use server::{
    on_call::Kept,
    people::{Role, admin},
};
use sqlx::PgConnection;

/// Name, address, role.
const PEOPLE: [(&str, &str, Role); 4] = [
    ("Juniper Ashgrove", "juniper@tapkeeper.invalid", Role::Operate),
    ("Otis Fennimore", "otis@tapkeeper.invalid", Role::Operate),
    ("Marigold Tarn", "marigold@tapkeeper.invalid", Role::Engineer),
    ("Basil Thackery", "basil@tapkeeper.invalid", Role::Engineer),
];
/// Weeks that the rotas have run.
const WEEKS: u64 = 6;
/// The substation that has a rota of its own.
const SUBSTATION: &str = "Quillspire";

/// Adds them at the first start; what has been changed since stays as it is. Their messages follow the inbox, which listens elsewhere at each start.
pub(crate) async fn add(db: &mut PgConnection, inbox: SocketAddr, now: DateTime<Utc>) -> Result<()> {
    let url = format!("http://{inbox}/people");
    let before = sqlx::query_scalar!(r#"select count(*) as "count!" from rota"#).fetch_one(&mut *db).await?;
    let known = admin::list(db).await?;
    let mut people = Vec::new();
    for (name, email, role) in PEOPLE {
        let person = match known.iter().find(|p| p.email == email) {
            Some(person) => person.id,
            None => admin::create(db, email, name, role).await?,
        };
        reach(db, person, name, &url).await?;
        people.push(PersonId(person));
    }
    if before > 0 {
        return Ok(());
    }
    let zone: Tz = sqlx::query_scalar!("select time_zone from site order by id limit 1")
        .fetch_one(&mut *db)
        .await?
        .parse()
        .context("the time zone of the first site")?;
    let quiet = QuietHours {
        zone,
        from: NaiveTime::from_hms_opt(22, 0, 0).context("a time")?,
        to: NaiveTime::from_hms_opt(6, 0, 0).context("a time")?,
        days: quiet::Days::ALL,
        up_to: Priority::Medium,
    };
    sqlx::query!(
        "update recipient set quiet = $2 where person_id = $1",
        people[1].0,
        serde_json::to_value(&quiet)?
    )
    .execute(&mut *db)
    .await?;
    for (name, substation, kept) in rotas(zone, &people, now)? {
        sqlx::query!(
            "insert into rota (name, area_kind, area_id, rota)
             select $1, case when $2::text is null then 'fleet' else 'substation' end, u.id, $3
             from (select 1) one left join substation u on u.name = $2 on conflict do nothing",
            name,
            substation,
            serde_json::to_value(&kept)?
        )
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}

async fn reach(db: &mut PgConnection, person: i32, name: &str, url: &str) -> Result<()> {
    sqlx::query!(
        "insert into recipient (person_id, name, webhook_url, webhook_secret, standing, area_kind) values ($1, $2, $3, $4, false, 'fleet')
         on conflict (person_id) do update set webhook_url = $3 where recipient.webhook_url like 'http://127.0.0.1:%/people'",
        person,
        name,
        url,
        server::notification::new_secret(),
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Name, substation (none for the fleet), rota.
fn rotas(
    zone: Tz,
    people: &[PersonId],
    now: DateTime<Utc>,
) -> Result<Vec<(&'static str, Option<&'static str>, Kept)>> {
    let [juniper, otis, marigold, basil] = people else { anyhow::bail!("four people") };
    let today = now.with_timezone(&zone).date_naive();
    let monday = today - Days::new(today.weekday().num_days_from_monday().into()) - Days::new(7 * WEEKS);
    let start = Start { date: monday, time: NaiveTime::from_hms_opt(8, 0, 0).context("a time")? };
    let level = |days: u16, turns: &[PersonId], holidays: &[PersonId]| Level {
        start: Some(start),
        turns: turns.iter().map(|person| Share { person: *person, days }).collect(),
        holidays: holidays.to_vec(),
        overrides: vec![],
    };
    let holiday = |year: i32, month, day, name: &str| {
        NaiveDate::from_ymd_opt(year, month, day).map(|date| (date, name.to_owned()))
    };
    let named: BTreeMap<NaiveDate, String> =
        [holiday(today.year(), 12, 25, "Midwinter"), holiday(today.year() + 1, 1, 1, "New Year")]
            .into_iter()
            .flatten()
            .collect();
    let levels = vec![
        level(7, &[*juniper, *otis, *marigold], &[*otis, *marigold]),
        level(7, &[*basil, *marigold], &[]),
    ];
    let fleet = Rota { zone, levels, holidays: named.keys().copied().collect() };
    let own = Rota { zone, levels: vec![level(1, &[*otis, *juniper], &[])], holidays: Default::default() };
    Ok(vec![
        ("Fleet", None, Kept { rota: fleet, holiday_names: named }),
        (SUBSTATION, Some(SUBSTATION), Kept { rota: own, holiday_names: BTreeMap::new() }),
    ])
}
