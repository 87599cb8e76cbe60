//! The inventory as it is stored, as rows of a fleet file.

use regulator::{Connection, Phase, WindingType};
use sqlx::PgConnection;

use super::row::Row;
use crate::endpoint::LinkSettings;

/// One regulator of the inventory.
#[derive(Debug)]
pub(super) struct Stored {
    pub(super) id: i32,
    pub(super) row: Row,
    pub(super) counter_modulus: i64,
    pub(super) retired: bool,
}

/// All regulators, also retired ones, by name.
pub(super) async fn load(connection: &mut PgConnection) -> sqlx::Result<Vec<Stored>> {
    let rows = sqlx::query!(
        r#"select r.id, u.name as substation, f.name as feeder, s.name as site, coalesce(up.name, '') as "fed_from!",
                  b.name as bank, b.connection, r.phase,
                  r.kva, r.rated_current_a, r.rated_voltage_v, r.pt_ratio, r.ct_ratio, r.voltage_base_v, r.step_count,
                  r.tap_min, r.tap_max, r.winding_type, e.address, r.unit, r.position, r.profile, r.poll_interval_ms,
                  r.master_address, r.integrity_interval_ms, r.event_polls, r.unsolicited, r.time_sync,
                  s.latitude, s.longitude, s.time_zone, r.counter_modulus, r.retired_at is not null as "retired!"
           from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id
                join feeder f on f.id = s.feeder_id join substation u on u.id = f.substation_id
                left join site up on up.id = s.fed_from_site_id
                join endpoint e on e.id = r.endpoint_id
           order by u.name, f.name, s.name, b.name, r.phase"#
    )
    .fetch_all(connection)
    .await?;
    let unknown =
        |column: &str, value: &str| sqlx::Error::Decode(format!("unknown {column} '{value}'").into());
    rows.into_iter()
        .map(|r| {
            let link = LinkSettings::from_columns(
                r.master_address,
                r.integrity_interval_ms,
                &r.event_polls,
                &r.unsolicited,
                &r.time_sync,
            );
            let link = link.ok_or_else(|| {
                unknown(
                    "event_polls, unsolicited or time_sync",
                    &format!("{} {} {}", r.event_polls, r.unsolicited, r.time_sync),
                )
            })?;
            let row = Row {
                connection: Connection::from_name(&r.connection)
                    .ok_or_else(|| unknown("connection", &r.connection))?,
                phase: Phase::from_name(&r.phase).ok_or_else(|| unknown("phase", &r.phase))?,
                winding_type: WindingType::from_name(&r.winding_type)
                    .ok_or_else(|| unknown("winding type", &r.winding_type))?,
                substation: r.substation,
                feeder: r.feeder,
                site: r.site,
                fed_from: r.fed_from,
                bank: r.bank,
                kva: r.kva,
                rated_current_a: r.rated_current_a,
                rated_voltage_v: r.rated_voltage_v,
                pt_ratio: r.pt_ratio,
                ct_ratio: r.ct_ratio,
                voltage_base_v: r.voltage_base_v,
                step_count: r.step_count,
                tap_min: r.tap_min,
                tap_max: r.tap_max,
                endpoint: r.address,
                unit: u16::try_from(r.unit).map_err(|_| unknown("unit", &r.unit.to_string()))?,
                position: u8::try_from(r.position)
                    .map_err(|_| unknown("position", &r.position.to_string()))?,
                profile: r.profile,
                poll_interval_ms: r.poll_interval_ms,
                link,
                place: r.latitude.zip(r.longitude),
                time_zone: r.time_zone,
            };
            Ok(Stored { id: r.id, row, counter_modulus: r.counter_modulus, retired: r.retired })
        })
        .collect()
}
