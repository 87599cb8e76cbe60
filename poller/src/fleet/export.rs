//! The inventory as a fleet file.

use sqlx::PgConnection;

use super::{columns::COLUMNS, link, row::Row, stored};

/// The inventory as a CSV that imports again to the same; regulators that are retired are left out.
///
/// # Errors
/// When the database does not answer.
pub async fn export(connection: &mut PgConnection) -> sqlx::Result<String> {
    let stored = stored::load(connection).await?;
    let mut writer = csv::Writer::from_writer(Vec::new());
    // writing into memory cannot fail
    let mut put = |cells: Vec<String>| writer.write_record(cells).map_err(|e| sqlx::Error::Encode(e.into()));
    put(COLUMNS.iter().map(|c| c.name.to_owned()).collect())?;
    for regulator in stored.iter().filter(|s| !s.retired) {
        put(cells(&regulator.row))?;
    }
    let bytes = writer.into_inner().map_err(|e| sqlx::Error::Encode(e.to_string().into()))?;
    String::from_utf8(bytes).map_err(|e| sqlx::Error::Encode(e.into()))
}

/// In the order of [`COLUMNS`].
fn cells(row: &Row) -> Vec<String> {
    let degrees = |value: Option<f64>| value.map(|v| v.to_string()).unwrap_or_default();
    let mut cells = vec![
        row.substation.clone(),
        row.feeder.clone(),
        row.site.clone(),
        row.fed_from.clone(),
        row.bank.clone(),
        row.connection.name().to_owned(),
        row.phase.name().to_owned(),
        row.kva.to_string(),
        row.rated_current_a.to_string(),
        row.rated_voltage_v.to_string(),
        row.pt_ratio.to_string(),
        row.ct_ratio.to_string(),
        row.voltage_base_v.to_string(),
        row.step_count.to_string(),
        row.tap_min.to_string(),
        row.tap_max.to_string(),
        row.winding_type.name().to_owned(),
        row.endpoint.clone(),
        row.unit.to_string(),
        row.position.to_string(),
        row.profile.clone(),
        (f64::from(row.poll_interval_ms) / 1000.0).to_string(),
    ];
    cells.extend(link::cells(row));
    cells.extend([degrees(row.place.map(|p| p.0)), degrees(row.place.map(|p| p.1)), row.time_zone.clone()]);
    cells
}
