//! A small inventory for tests.

use sqlx::PgConnection;

/// Makes `count` common regulators (see [`regulator::Nameplate::common`]) on one feeder, each with a site and an endpoint of its
/// own; returns their ids.
pub(crate) async fn fleet(connection: &mut PgConnection, count: i32) -> Vec<i32> {
    sqlx::raw_sql(
        "insert into substation (name) values ('Alder');
         insert into feeder (substation_id, name) select id, 'Alder 1' from substation;
         insert into profile (name, source) values ('plain', '');",
    )
    .execute(&mut *connection)
    .await
    .unwrap();
    sqlx::query_scalar(
        "with n as (select generate_series(1, $1) as n),
            e as (insert into endpoint (address) select 'modbus-tcp://10.0.0.1:' || 5000 + n from n order by n returning id, address),
            s as (insert into site (feeder_id, name, time_zone)
                select f.id, 'Pole ' || n, 'America/Chicago' from n, feeder f order by n returning id, name),
            b as (insert into bank (site_id, name, connection) select id, 'Bank', 'wye' from s order by id returning id, site_id)
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
            select b.id, 'A', 167, 219, 7620, 63.5, 1250, e.id, 1, 'plain'
            from n
            join s on s.name = 'Pole ' || n
            join b on b.site_id = s.id
            join e on e.address = 'modbus-tcp://10.0.0.1:' || 5000 + n
            order by n
            returning id",
    )
    .bind(count)
    .fetch_all(connection)
    .await
    .unwrap()
}
