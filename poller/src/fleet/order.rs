//! The order of a feeder: which site is fed from which.

use std::collections::{HashMap, HashSet};

use sqlx::PgConnection;

use super::{check::Numbered, errors::Faults, row::Row, stored::Stored};

const COLUMN: &str = "fed_from";

/// A site by its names: substation, feeder, site.
type Site<'a> = (&'a str, &'a str, &'a str);

fn site(row: &Row) -> Site<'_> {
    (&row.substation, &row.feeder, &row.site)
}

/// The site that feeds this row's, if it names one.
fn upstream(row: &Row) -> Option<Site<'_>> {
    (!row.fed_from.is_empty()).then_some((&row.substation, &row.feeder, &row.fed_from))
}

/// Faults of the file by itself: a site that feeds itself, at once or by way of others.
pub(super) fn no_loops(rows: &[Numbered], faults: &mut Faults) {
    let fed: HashMap<_, _> = rows.iter().filter_map(|(_, row)| Some((site(row), upstream(row)?))).collect();
    let mut told = HashSet::new();
    for (number, row) in rows {
        let mut seen = HashSet::from([site(row)]);
        let mut at = site(row);
        while let Some(&next) = fed.get(&at) {
            if next == site(row) && told.insert(site(row)) {
                let what = format!("site '{}' feeds itself", row.site);
                let remedy =
                    "name the next site towards the substation, or leave it empty where there is none";
                faults.at(*number, COLUMN, what, remedy);
            }
            if !seen.insert(next) {
                break;
            }
            at = next;
        }
    }
}

/// Faults of the file beside the inventory: a site that is fed from one that is in neither.
pub(super) fn all_known(rows: &[Numbered], before: &[Stored], faults: &mut Faults) {
    let mut known: HashSet<Site<'_>> = rows.iter().map(|(_, row)| site(row)).collect();
    known.extend(before.iter().map(|s| site(&s.row)));
    for (number, row) in rows {
        if upstream(row).is_some_and(|up| !known.contains(&up)) {
            let what = format!("there is no site '{}' on feeder {}", row.fed_from, row.feeder);
            let remedy = "correct the name, or leave it empty for the substation";
            faults.at(*number, COLUMN, what, remedy);
        }
    }
}

/// Stores it for the sites of these rows, which are in the inventory by now.
pub(super) async fn store(connection: &mut PgConnection, rows: &[&Row]) -> sqlx::Result<()> {
    let column = |name: fn(&Row) -> &String| rows.iter().map(|row| name(row).clone()).collect::<Vec<_>>();
    sqlx::query!(
        "update site s set fed_from_site_id = up.id
            from (select distinct * from unnest($1::text[], $2::text[], $3::text[], $4::text[]) n(substation, feeder, site, fed_from)) n
            join substation u on u.name = n.substation
            join feeder f on f.substation_id = u.id and f.name = n.feeder
            left join site up on up.feeder_id = f.id and up.name = n.fed_from
            where s.feeder_id = f.id and s.name = n.site",
        &column(|row| &row.substation),
        &column(|row| &row.feeder),
        &column(|row| &row.site),
        &column(|row| &row.fed_from)
    )
    .execute(connection)
    .await?;
    Ok(())
}
