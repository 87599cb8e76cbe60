//! Where a threshold can be set.

use regulator::conditions::Scope;
use sqlx::PgConnection;
use web::thresholds::Places;

/// The fleet, a feeder, a site or a regulator, with what lies around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Place {
    pub(super) kind: Kind,
    pub(super) feeder: Option<i32>,
    pub(super) site: Option<i32>,
    pub(super) regulator: Option<i32>,
}

/// How wide it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Kind {
    #[default]
    Fleet,
    Feeder,
    Site,
    Regulator,
}

impl Kind {
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Fleet => "fleet",
            Self::Feeder => "feeder",
            Self::Site => "site",
            Self::Regulator => "regulator",
        }
    }

    fn from_name(name: &str) -> Option<Self> {
        [Self::Fleet, Self::Feeder, Self::Site, Self::Regulator].into_iter().find(|kind| kind.name() == name)
    }

    /// Whether it means something for a condition judged of `scope`: a bank and an endpoint belong to a site, a poller and a part of
    /// Tapkeeper to no place, and a substation is more than a feeder.
    pub(super) const fn fits(self, scope: Scope) -> bool {
        match scope {
            Scope::Regulator => true,
            Scope::Bank | Scope::Endpoint => !matches!(self, Self::Regulator),
            Scope::Poller | Scope::Substation | Scope::Part => matches!(self, Self::Fleet),
        }
    }
}

impl Place {
    /// The number of the place itself; none for the fleet.
    pub(super) fn id(&self) -> Option<i32> {
        match self.kind {
            Kind::Fleet => None,
            Kind::Feeder => self.feeder,
            Kind::Site => self.site,
            Kind::Regulator => self.regulator,
        }
    }

    /// The place that a form names as `fleet` or `site:20001`; nothing when there is none.
    pub(super) async fn find(db: &mut PgConnection, text: &str) -> sqlx::Result<Option<Self>> {
        if text == "fleet" {
            return Ok(Some(Self::default()));
        }
        let Some((kind, id)) = text.split_once(':') else { return Ok(None) };
        let (Some(kind), Ok(id)) = (Kind::from_name(kind), id.parse::<i32>()) else { return Ok(None) };
        Ok(match kind {
            Kind::Fleet => None,
            Kind::Feeder => sqlx::query_scalar!("select id from feeder where id = $1", id)
                .fetch_optional(db)
                .await?
                .map(|id| Self { kind, feeder: Some(id), ..Self::default() }),
            Kind::Site => sqlx::query!("select id, feeder_id from site where id = $1", id)
                .fetch_optional(db)
                .await?
                .map(|s| Self { kind, feeder: Some(s.feeder_id), site: Some(s.id), regulator: None }),
            Kind::Regulator => sqlx::query!(
                "select r.id, s.id as site_id, s.feeder_id from regulator r
                 join bank b on b.id = r.bank_id join site s on s.id = b.site_id where r.id = $1",
                id
            )
            .fetch_optional(db)
            .await?
            .map(|r| Self {
                kind,
                feeder: Some(r.feeder_id),
                site: Some(r.site_id),
                regulator: Some(r.id),
            }),
        })
    }
}

/// Every place that fits, beside the fleet, for a form.
pub(super) async fn choices(db: &mut PgConnection, scope: Scope) -> sqlx::Result<Vec<Places>> {
    let rows = sqlx::query!(
        r#"select kind as "kind!", id as "id!", name as "name!" from threshold_place where kind <> 'fleet' order by name, id"#
    )
    .fetch_all(db)
    .await?;
    let kinds = [(Kind::Feeder, "Feeders"), (Kind::Site, "Sites"), (Kind::Regulator, "Regulators")];
    Ok(kinds
        .into_iter()
        .filter(|(kind, _)| kind.fits(scope))
        .map(|(kind, title)| {
            let of_kind = rows.iter().filter(|r| r.kind == kind.name());
            Places {
                title,
                places: of_kind.map(|r| (format!("{}:{}", r.kind, r.id), r.name.clone())).collect(),
            }
        })
        .collect())
}
