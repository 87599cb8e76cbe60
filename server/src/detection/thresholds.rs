//! The settings of conditions that differ from the defaults, by scope.

use regulator::conditions::{Condition, Settings};
use sqlx::PgConnection;

use crate::inventory::Regulator;

/// All of them, widest scope first.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Thresholds(Vec<Threshold>);

#[derive(Debug, Clone, PartialEq)]
struct Threshold {
    condition: String,
    parameter: String,
    scope_kind: String,
    scope_id: Option<i32>,
    value: f64,
}

impl Thresholds {
    pub(crate) async fn load(connection: &mut PgConnection) -> sqlx::Result<Self> {
        let rows = sqlx::query_as!(
            Threshold,
            "select condition, parameter, scope_kind, scope_id, value from threshold
                order by array_position(array['fleet', 'feeder', 'site', 'regulator'], scope_kind), id"
        );
        rows.fetch_all(connection).await.map(Self)
    }

    /// Those in force everywhere: for pollers, and endpoints without regulators.
    pub(crate) fn of_fleet(&self) -> Settings {
        self.settings(|_, id| id.is_none())
    }

    /// Those in force for one regulator.
    pub(crate) fn of_regulator(&self, regulator: &Regulator) -> Settings {
        self.settings(|kind, id| match kind {
            "fleet" => true,
            "feeder" => id == Some(regulator.feeder.id),
            "site" => id == Some(regulator.site.id),
            "regulator" => id == Some(regulator.id),
            _ => false,
        })
    }

    /// Those in force at a regulator's site, for its bank and its endpoint: the site's, feeder's and the fleet's.
    pub(crate) fn of_site_of(&self, regulator: &Regulator) -> Settings {
        self.settings(|kind, id| match kind {
            "fleet" => true,
            "feeder" => id == Some(regulator.feeder.id),
            "site" => id == Some(regulator.site.id),
            _ => false,
        })
    }

    /// Those in force at a place of which no more than this is known: values of narrower places are left out.
    pub(crate) fn at(&self, feeder: Option<i32>, site: Option<i32>, regulator: Option<i32>) -> Settings {
        self.settings(|kind, id| match kind {
            "fleet" => true,
            "feeder" => id.is_some() && id == feeder,
            "site" => id.is_some() && id == site,
            "regulator" => id.is_some() && id == regulator,
            _ => false,
        })
    }

    fn settings(&self, applies: impl Fn(&str, Option<i32>) -> bool) -> Settings {
        let mut settings = Settings::default();
        for row in self.0.iter().filter(|row| applies(&row.scope_kind, row.scope_id)) {
            // A name that this program does not know may be a newer one's; a value beyond the range is brought to its edge.
            if let Some(condition) = Condition::from_name(&row.condition)
                && let Some(parameter) = condition.parameter(&row.parameter)
                && !row.value.is_nan()
            {
                settings.set(condition, parameter.name, row.value.clamp(parameter.min, parameter.max));
            }
        }
        settings
    }
}
