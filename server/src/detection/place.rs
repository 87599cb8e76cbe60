//! What an alarm is about.

/// A regulator, an endpoint or a poller; or a bank, whose alarms are listed under its first regulator.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Place {
    Regulator(i32),
    Bank(i32),
    Endpoint(i32),
    Poller(String),
}

impl Place {
    pub(super) fn from_columns(
        regulator_id: Option<i32>,
        endpoint_id: Option<i32>,
        poller: Option<String>,
    ) -> Option<Self> {
        regulator_id
            .map(Self::Regulator)
            .or_else(|| endpoint_id.map(Self::Endpoint))
            .or_else(|| poller.map(Self::Poller))
    }

    pub(super) const fn regulator_id(&self) -> Option<i32> {
        if let Self::Regulator(id) = self { Some(*id) } else { None }
    }

    pub(super) const fn endpoint_id(&self) -> Option<i32> {
        if let Self::Endpoint(id) = self { Some(*id) } else { None }
    }

    pub(super) fn poller(&self) -> Option<&str> {
        if let Self::Poller(name) = self { Some(name) } else { None }
    }
}
