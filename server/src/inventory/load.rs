//! Reads the inventory from the database.

use regulator::{Connection, Nameplate, Phase, WindingType};
use sqlx::PgConnection;

use super::{Endpoint, Inventory, Named, Regulator};

/// The inventory's version; it grows with every change.
///
/// # Errors
/// When the database cannot be asked.
pub async fn version(connection: &mut PgConnection) -> sqlx::Result<i64> {
    sqlx::query_scalar!("select version from inventory_version").fetch_one(connection).await
}

/// The whole inventory. What changes while it is read comes with the next version.
///
/// # Errors
/// When the database cannot be asked.
pub async fn load(connection: &mut PgConnection) -> sqlx::Result<Inventory> {
    // The version first: a change in between is then noticed as a newer version, never overlooked.
    let version = version(&mut *connection).await?;
    let endpoints = sqlx::query!("select id, address from endpoint").fetch_all(&mut *connection).await?;
    let mut inventory = Inventory { version, ..Inventory::default() };
    for row in endpoints {
        let endpoint = Endpoint { id: row.id, address: row.address, regulators: vec![] };
        inventory.endpoints.insert(row.id, endpoint);
    }
    for regulator in regulators(connection).await? {
        if let Some(endpoint) = inventory.endpoints.get_mut(&regulator.endpoint_id) {
            endpoint.regulators.push(regulator.id);
        }
        inventory.regulators.insert(regulator.id, regulator);
    }
    Ok(inventory)
}

async fn regulators(connection: &mut PgConnection) -> sqlx::Result<Vec<Regulator>> {
    let rows = sqlx::query!(
        "select r.*, b.name as bank, b.connection, b.site_id, s.name as site, s.latitude, s.longitude, s.time_zone, s.fed_from_site_id,
                s.feeder_id, f.name as feeder, f.substation_id, u.name as substation
            from regulator r
            join bank b on b.id = r.bank_id
            join site s on s.id = b.site_id
            join feeder f on f.id = s.feeder_id
            join substation u on u.id = f.substation_id
            where r.retired_at is null
            order by r.id"
    )
    .fetch_all(connection)
    .await?;
    let regulators = rows.into_iter().map(|row| Regulator {
        id: row.id,
        // The columns' checks allow nothing but names that the types know.
        phase: Phase::from_name(&row.phase).unwrap_or(Phase::A),
        connection: Connection::from_name(&row.connection).unwrap_or(Connection::Wye),
        nameplate: Nameplate {
            kva: row.kva.into(),
            rated_current_a: row.rated_current_a.into(),
            rated_voltage_v: row.rated_voltage_v.into(),
            pt_ratio: row.pt_ratio.into(),
            ct_ratio: row.ct_ratio.into(),
            voltage_base_v: row.voltage_base_v.into(),
            step_count: row.step_count.unsigned_abs(),
            tap_min: row.tap_min,
            tap_max: row.tap_max,
            winding_type: WindingType::from_name(&row.winding_type).unwrap_or(WindingType::B),
            counter_modulus: row.counter_modulus.unsigned_abs(),
            poll_interval_s: f64::from(row.poll_interval_ms) / 1000.0,
        },
        bank: Named { id: row.bank_id, name: row.bank },
        site: Named { id: row.site_id, name: row.site },
        fed_from: row.fed_from_site_id,
        place: row.latitude.zip(row.longitude),
        time_zone: row.time_zone,
        feeder: Named { id: row.feeder_id, name: row.feeder },
        substation: Named { id: row.substation_id, name: row.substation },
        endpoint_id: row.endpoint_id,
        unit: row.unit,
        position: row.position,
        profile: row.profile,
    });
    Ok(regulators.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inventory::testing;
    use private_postgres::testing::TestDatabase;

    #[tokio::test]
    async fn a_regulator_comes_with_its_place_and_nameplate_until_it_is_retired() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let ids = testing::fleet(&mut connection, 2).await;
        let inventory = load(&mut connection).await.unwrap();
        let first = &inventory.regulators[&ids[0]];
        assert_eq!(first.nameplate, Nameplate::common());
        assert_eq!((first.feeder.name.as_str(), first.site.name.as_str()), ("Alder 1", "Pole 1"));
        assert_eq!(inventory.endpoints[&first.endpoint_id].regulators, [ids[0]]);
        sqlx::query("update regulator set retired_at = now() where id = $1")
            .bind(ids[0])
            .execute(&mut *connection)
            .await
            .unwrap();
        let inventory = load(&mut connection).await.unwrap();
        assert_eq!(inventory.regulators.keys().copied().collect::<Vec<_>>(), [ids[1]]);
    }
}
