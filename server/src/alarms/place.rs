//! What an alarm is about.

/// A regulator, an endpoint, a poller, a substation or a part of this program; or a bank, whose alarms are listed under its first
/// regulator.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Place {
    Regulator(i32),
    Bank(i32),
    Endpoint(i32),
    Poller(String),
    Substation(i32),
    Part(String),
}

/// A place as tables have it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Columns {
    pub(crate) regulator_id: Option<i32>,
    pub(crate) endpoint_id: Option<i32>,
    pub(crate) poller: Option<String>,
    pub(crate) substation_id: Option<i32>,
    pub(crate) part: Option<String>,
}

impl Place {
    /// Its name in the generated columns `place_key`; a bank, which has no alarms under its own name, has one all the same.
    pub(crate) fn key(&self) -> String {
        match self {
            Self::Regulator(id) => format!("regulator:{id}"),
            Self::Bank(id) => format!("bank:{id}"),
            Self::Endpoint(id) => format!("endpoint:{id}"),
            Self::Poller(name) => format!("poller:{name}"),
            Self::Substation(id) => format!("substation:{id}"),
            Self::Part(name) => format!("part:{name}"),
        }
    }

    pub(crate) fn columns(&self) -> Columns {
        let none = Columns::default();
        match self {
            Self::Regulator(id) => Columns { regulator_id: Some(*id), ..none },
            Self::Endpoint(id) => Columns { endpoint_id: Some(*id), ..none },
            Self::Poller(name) => Columns { poller: Some(name.clone()), ..none },
            Self::Substation(id) => Columns { substation_id: Some(*id), ..none },
            Self::Part(name) => Columns { part: Some(name.clone()), ..none },
            Self::Bank(_) => none,
        }
    }
}

impl From<Columns> for Option<Place> {
    fn from(columns: Columns) -> Self {
        columns
            .regulator_id
            .map(Place::Regulator)
            .or_else(|| columns.endpoint_id.map(Place::Endpoint))
            .or_else(|| columns.poller.map(Place::Poller))
            .or_else(|| columns.substation_id.map(Place::Substation))
            .or_else(|| columns.part.map(Place::Part))
    }
}

/// Places as arrays of columns, for `unnest`.
#[derive(Debug, Default)]
pub(crate) struct ColumnArrays {
    pub(crate) regulators: Vec<Option<i32>>,
    pub(crate) endpoints: Vec<Option<i32>>,
    pub(crate) pollers: Vec<Option<String>>,
    pub(crate) substations: Vec<Option<i32>>,
    pub(crate) parts: Vec<Option<String>>,
}

impl<'a> FromIterator<&'a Place> for ColumnArrays {
    fn from_iter<I: IntoIterator<Item = &'a Place>>(places: I) -> Self {
        let mut all = Self::default();
        for place in places {
            let columns = place.columns();
            all.regulators.push(columns.regulator_id);
            all.endpoints.push(columns.endpoint_id);
            all.pollers.push(columns.poller);
            all.substations.push(columns.substation_id);
            all.parts.push(columns.part);
        }
        all
    }
}
