//! Where an alarm is, in the words of a message.

use sqlx::PgConnection;

/// Where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Place {
    Regulator(RegulatorPlace),
    Endpoint {
        id: i32,
        address: String,
        /// The sites it serves.
        sites: Vec<String>,
        /// Their time zone, if they share one.
        time_zone: Option<String>,
    },
    Poller(String),
    Substation {
        id: i32,
        name: String,
    },
    /// A part of this program.
    Part(String),
}

/// Where a regulator is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct RegulatorPlace {
    pub(crate) regulator_id: i32,
    pub(crate) substation: String,
    pub(crate) feeder: String,
    pub(crate) site: String,
    pub(crate) bank: String,
    pub(crate) phase: String,
    pub(crate) time_zone: String,
}

impl Place {
    /// Short enough for the subject of a message.
    pub(crate) fn short(&self) -> String {
        match self {
            Self::Regulator(r) => format!("{} phase {} (feeder {})", r.site, r.phase, r.feeder),
            Self::Endpoint { address, sites, .. } => match sites.as_slice() {
                [] => address.clone(),
                [site] => format!("{site} ({address})"),
                [site, rest @ ..] => format!("{site} and {} more ({address})", rest.len()),
            },
            Self::Poller(name) => format!("poller {name}"),
            Self::Substation { name, .. } => format!("substation {name}"),
            Self::Part(name) => format!("Tapkeeper's {name}"),
        }
    }

    /// In full.
    pub(crate) fn line(&self) -> String {
        match self {
            Self::Regulator(r) => format!(
                "{} phase {}, {}, feeder {}, substation {}",
                r.site, r.phase, r.bank, r.feeder, r.substation
            ),
            Self::Endpoint { address, sites, .. } if !sites.is_empty() => {
                format!("{address}, which serves {}", sites.join(", "))
            }
            _ => self.short(),
        }
    }

    /// As short as can be, what tells most first.
    pub(crate) fn shortest(&self) -> String {
        match self {
            Self::Regulator(r) => format!("{} {}, {}", r.site, r.phase, r.feeder),
            _ => self.short(),
        }
    }

    /// The clock on the wall there.
    pub(crate) fn time_zone(&self) -> Option<chrono_tz::Tz> {
        let name = match self {
            Self::Regulator(r) => Some(&r.time_zone),
            Self::Endpoint { time_zone, .. } => time_zone.as_ref(),
            Self::Poller(_) | Self::Substation { .. } | Self::Part(_) => None,
        };
        name.and_then(|n| n.parse().ok())
    }
}

/// The columns of an alarm that say what it is about.
#[derive(Debug)]
pub(super) struct About {
    pub(super) regulator_id: Option<i32>,
    pub(super) of_bank: bool,
    pub(super) endpoint_id: Option<i32>,
    pub(super) poller: Option<String>,
    pub(super) substation_id: Option<i32>,
    pub(super) part: Option<String>,
}

/// Finds the words for it.
pub(super) async fn load(conn: &mut PgConnection, about: About) -> sqlx::Result<Place> {
    match about {
        About { regulator_id: Some(id), of_bank, .. } => {
            Ok(Place::Regulator(regulator_place(conn, id, of_bank).await?))
        }
        About { endpoint_id: Some(id), .. } => endpoint_place(conn, id).await,
        About { substation_id: Some(id), .. } => {
            let name =
                sqlx::query_scalar!("select name from substation where id = $1", id).fetch_one(conn).await?;
            Ok(Place::Substation { id, name })
        }
        About { part: Some(name), .. } => Ok(Place::Part(name)),
        About { poller, .. } => Ok(Place::Poller(poller.unwrap_or_default())),
    }
}

/// Of an alarm of the whole bank, `bank` stands for the phase.
async fn regulator_place(conn: &mut PgConnection, id: i32, of_bank: bool) -> sqlx::Result<RegulatorPlace> {
    sqlx::query_as!(
        RegulatorPlace,
        r#"select g.id as regulator_id, u.name as substation, f.name as feeder, s.name as site, b.name as bank,
             case when $2 then 'bank' else g.phase end as "phase!", s.time_zone
         from regulator g
         join bank b on b.id = g.bank_id
         join site s on s.id = b.site_id
         join feeder f on f.id = s.feeder_id
         join substation u on u.id = f.substation_id
         where g.id = $1"#,
        id,
        of_bank
    )
    .fetch_one(conn)
    .await
}

async fn endpoint_place(conn: &mut PgConnection, id: i32) -> sqlx::Result<Place> {
    let row = sqlx::query!(
        r#"select p.address, coalesce(array_agg(distinct s.name) filter (where s.id is not null), '{}') as "sites!",
             case when count(distinct s.time_zone) = 1 then min(s.time_zone) end as time_zone
         from endpoint p
         left join regulator g on g.endpoint_id = p.id and g.retired_at is null
         left join bank b on b.id = g.bank_id
         left join site s on s.id = b.site_id
         where p.id = $1
         group by p.address"#,
        id
    )
    .fetch_one(conn)
    .await?;
    Ok(Place::Endpoint { id, address: row.address, sites: row.sites, time_zone: row.time_zone })
}
