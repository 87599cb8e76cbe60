//! Which wider silences stand, and which alarms they suppress by design.
//!
//! What hides what is in the catalogue (`Condition::suppressed_by`); here is which endpoint, substation and poller a place belongs to.

use std::collections::{BTreeSet, HashMap, HashSet};

use regulator::conditions::Condition;
use sqlx::PgConnection;

use super::place::{Columns, Place};

/// Who belongs to whom.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Relations {
    /// The endpoint of each regulator.
    pub(crate) endpoint_of: HashMap<i32, i32>,
    /// The substations whose regulators are behind each endpoint.
    pub(crate) substations_of: HashMap<i32, BTreeSet<i32>>,
    /// The poller that polls each endpoint.
    pub(crate) poller_of: HashMap<i32, String>,
}

/// The silences that stand.
#[derive(Debug, Clone, Default)]
pub(crate) struct Silences {
    standing: HashSet<(Condition, Place)>,
    pub(crate) relations: Relations,
}

impl Silences {
    /// Those of the present states.
    pub(crate) async fn load(connection: &mut PgConnection) -> sqlx::Result<Self> {
        let conditions: Vec<String> = parents().into_iter().map(|c| c.name().to_owned()).collect();
        let rows = sqlx::query!(
            "select condition, regulator_id, endpoint_id, poller, substation_id, part from alarm_point
                where condition = any($1) and process in ('unannounced', 'unacknowledged', 'acknowledged')",
            &conditions
        )
        .fetch_all(connection)
        .await?;
        let standing = rows.into_iter().filter_map(|row| {
            let columns = Columns {
                regulator_id: row.regulator_id,
                endpoint_id: row.endpoint_id,
                poller: row.poller,
                substation_id: row.substation_id,
                part: row.part,
            };
            Some((Condition::from_name(&row.condition)?, Option::<Place>::from(columns)?))
        });
        Ok(Self { standing: standing.collect(), relations: Relations::default() })
    }

    /// Takes note of an alarm that is raised or returns. Whether that may hide or uncover others.
    pub(super) fn heed(&mut self, condition: Condition, place: &Place, stands: bool) -> bool {
        if !hides(condition) {
            return false;
        }
        if stands {
            self.standing.insert((condition, place.clone()))
        } else {
            self.standing.remove(&(condition, place.clone()))
        }
    }

    /// Why an alarm of this condition and place is suppressed, if it is.
    pub(super) fn why(&self, condition: Condition, place: &Place) -> Option<&'static str> {
        let hides = |parent: Condition| self.above(place, parent);
        condition.suppressed_by().iter().find(|silence| hides(silence.parent)).map(|silence| silence.reason)
    }

    /// Whether a silence of this kind stands above the place.
    fn above(&self, place: &Place, parent: Condition) -> bool {
        let stands = |place: Place| self.standing.contains(&(parent, place));
        match (place, parent) {
            (Place::Regulator(id), Condition::EndpointSilent) => {
                self.relations.endpoint_of.get(id).is_some_and(|e| stands(Place::Endpoint(*e)))
            }
            (Place::Regulator(id), _) => {
                self.relations.endpoint_of.get(id).is_some_and(|e| self.above(&Place::Endpoint(*e), parent))
            }
            // Behind a gateway there may be several substations: it is hidden when all of them are silent.
            (Place::Endpoint(id), Condition::SubstationSilent) => {
                let substations = self.relations.substations_of.get(id);
                substations
                    .is_some_and(|all| !all.is_empty() && all.iter().all(|s| stands(Place::Substation(*s))))
            }
            (Place::Endpoint(id), _) => {
                self.relations.poller_of.get(id).is_some_and(|poller| stands(Place::Poller(poller.clone())))
            }
            (Place::Substation(id), _) => {
                let of = &self.relations.substations_of;
                let mut endpoints = of.iter().filter(|(_, all)| all.contains(id)).map(|(e, _)| *e).peekable();
                endpoints.peek().is_some() && endpoints.all(|e| self.above(&Place::Endpoint(e), parent))
            }
            _ => false,
        }
    }
}

/// The conditions that hide others.
fn parents() -> BTreeSet<Condition> {
    Condition::all().flat_map(|c| c.suppressed_by().iter().map(|silence| silence.parent)).collect()
}

/// Whether alarms of this condition hide others.
pub(super) fn hides(condition: Condition) -> bool {
    Condition::all().any(|c| c.suppressed_by().iter().any(|silence| silence.parent == condition))
}

/// The conditions that can be hidden, by their stored names.
pub(super) fn hidden() -> Vec<String> {
    Condition::all().filter(|c| !c.suppressed_by().is_empty()).map(|c| c.name().to_owned()).collect()
}
