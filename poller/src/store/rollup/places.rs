//! What the rollups must know of each regulator: whose clock, and where its counter starts again.

use std::collections::HashMap;

use chrono_tz::Tz;
use sqlx::PgConnection;

/// Zones and counters of the inventory, read again when it changes.
#[derive(Debug, Default)]
pub(super) struct Places {
    version: Option<i64>,
    of: HashMap<i32, (Tz, u64)>,
}

impl Places {
    pub(super) async fn refresh(&mut self, connection: &mut PgConnection) -> sqlx::Result<()> {
        let version =
            sqlx::query_scalar!("select version from inventory_version").fetch_one(&mut *connection).await?;
        if self.version == Some(version) {
            return Ok(());
        }
        let rows = sqlx::query!(
            "select r.id, r.counter_modulus, s.time_zone
             from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id"
        )
        .fetch_all(connection)
        .await?;
        self.of = rows
            .into_iter()
            .map(|row| {
                let zone = row.time_zone.parse().unwrap_or_else(|_| {
                    tracing::warn!(
                        regulator = row.id,
                        time_zone = row.time_zone,
                        "unknown time zone: its days are counted in UTC"
                    );
                    Tz::UTC
                });
                (row.id, (zone, u64::try_from(row.counter_modulus).unwrap_or(u64::MAX)))
            })
            .collect();
        self.version = Some(version);
        Ok(())
    }

    pub(super) fn zone(&self, regulator_id: i32) -> Tz {
        self.of.get(&regulator_id).map_or(Tz::UTC, |(zone, _)| *zone)
    }

    pub(super) fn modulus(&self, regulator_id: i32) -> u64 {
        self.of.get(&regulator_id).map_or(1 << 32, |(_, modulus)| *modulus)
    }
}
