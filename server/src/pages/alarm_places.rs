//! Which places alarms can be about lie in a part of the fleet or carry a name: found from the inventory, so that alarms are looked up
//! by their places and never searched through.

use sqlx::PgConnection;

/// What is sought; every part that is given must hold.
#[derive(Debug, Clone, Default)]
pub(super) struct Sought<'a> {
    /// Part of the name by which alarms show the place, or of a site behind an endpoint; empty for any.
    pub(super) text: &'a str,
    pub(super) substation: Option<i32>,
    pub(super) feeder: Option<i32>,
    pub(super) site: Option<i32>,
    pub(super) regulator: Option<i32>,
}

impl Sought<'_> {
    fn is_everything(&self) -> bool {
        let area = [self.substation, self.feeder, self.site, self.regulator];
        self.text.is_empty() && area.iter().all(Option::is_none)
    }

    /// The places, as alarms have them in `place_key`; nothing where every place is sought. Regulators that are retired count: their
    /// alarms are kept. An endpoint or a substation lies in an area when all that is behind it does; of a site, or a regulator, only
    /// regulators are.
    ///
    /// # Errors
    /// When the database fails.
    pub(super) async fn keys(&self, db: &mut PgConnection) -> sqlx::Result<Option<Vec<String>>> {
        if self.is_everything() {
            return Ok(None);
        }
        let keys = sqlx::query_scalar!(
            r#"with unit as (
                 select r.id, r.endpoint_id, r.retired_at, lower(s.name) as site,
                     lower(concat_ws(' › ', u.name, f.name, s.name)) as place, lower(b.name) as bank, lower(r.phase) as phase,
                     ($2::integer is null or u.id = $2) and ($3::integer is null or f.id = $3) and ($4::integer is null or s.id = $4)
                         and ($5::integer is null or r.id = $5) as inside
                 from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id
                 join feeder f on f.id = s.feeder_id join substation u on u.id = f.substation_id),
               behind as (
                 select endpoint_id, bool_and(inside) as inside,
                     bool_or(retired_at is null and strpos(site, lower($1)) > 0) as named
                 from unit group by endpoint_id)
               select 'regulator:' || id as "key!" from unit
               where inside and ($1 = '' or strpos(place || ' ' || phase, lower($1)) > 0
                                 or strpos(place || ' ' || bank || ' ' || phase, lower($1)) > 0
                                 or strpos(place || ' ' || bank || ' bank', lower($1)) > 0
                                 or strpos(place || ' bank', lower($1)) > 0)
               union all
               select 'endpoint:' || e.id from endpoint e left join behind on behind.endpoint_id = e.id
               where num_nonnulls($4::integer, $5::integer) = 0
                 and (num_nonnulls($2::integer, $3::integer) = 0 or coalesce(behind.inside, false))
                 and ($1 = '' or strpos('endpoint ' || lower(e.address), lower($1)) > 0 or coalesce(behind.named, false))
               union all
               select 'substation:' || v.id from substation v
               where num_nonnulls($3::integer, $4::integer, $5::integer) = 0 and ($2::integer is null or v.id = $2)
                 and ($1 = '' or strpos('substation ' || lower(v.name), lower($1)) > 0)
               union all
               select distinct 'poller:' || poller from alarm_point
               where poller is not null and num_nonnulls($2::integer, $3::integer, $4::integer, $5::integer) = 0
                 and strpos('poller ' || lower(poller), lower($1)) > 0
               union all
               select 'part:' || part from unnest(array['detection', 'delivery']) part
               where num_nonnulls($2::integer, $3::integer, $4::integer, $5::integer) = 0
                 and strpos('tapkeeper’s ' || part, lower($1)) > 0"#,
            self.text,
            self.substation,
            self.feeder,
            self.site,
            self.regulator,
        )
        .fetch_all(db)
        .await?;
        Ok(Some(keys))
    }
}
