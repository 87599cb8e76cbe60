//! Which regulators the board shows, as the address says it.

use regulator::conditions::Condition;

use super::{Row, State, View};

/// One entry of a list to choose from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// What the address carries.
    pub value: String,
    /// What people read.
    pub title: String,
    /// Chosen now.
    pub chosen: bool,
}

/// What the reader asked for; everything when empty.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Only names that contain this.
    pub text: String,
    /// Only this state.
    pub state: Option<State>,
    /// Only this substation.
    pub substation: Option<i32>,
    /// Only with an open alarm of this condition.
    pub condition: Option<Condition>,
    /// How the rows are arranged.
    pub view: View,
}

impl Filter {
    /// Whether a row is asked for.
    #[must_use]
    pub fn admits(&self, row: &Row) -> bool {
        self.state.is_none_or(|s| row.live.state == s)
            && self.substation.is_none_or(|id| row.place.substation_id == id)
            && self.condition.is_none_or(|c| row.live.alarms.iter().any(|a| a.title == c.title()))
            && (self.text.is_empty() || row.place.matches(&self.text.trim().to_lowercase()))
    }

    /// Whether it leaves anything out.
    #[must_use]
    pub const fn narrows(&self) -> bool {
        self.state.is_some() || self.substation.is_some() || self.condition.is_some() || !self.text.is_empty()
    }

    /// The address of the board with this filter.
    #[must_use]
    pub fn href(&self) -> String {
        let mut pairs = Vec::new();
        if !self.text.is_empty() {
            pairs.push(format!("q={}", encoded(&self.text)));
        }
        if let Some(state) = self.state {
            pairs.push(format!("state={}", state.key()));
        }
        if let Some(id) = self.substation {
            pairs.push(format!("substation={id}"));
        }
        if let Some(condition) = self.condition {
            pairs.push(format!("condition={}", condition.name()));
        }
        if self.view != View::default() {
            pairs.push(format!("view={}", self.view.key()));
        }
        if pairs.is_empty() { "/".to_owned() } else { format!("/?{}", pairs.join("&")) }
    }

    /// The address of everything in the same arrangement.
    #[must_use]
    pub fn cleared(&self) -> String {
        Self { view: self.view, ..Self::default() }.href()
    }

    /// The same with what is urgent first.
    #[must_use]
    pub fn urgent(&self) -> String {
        Self { view: View::Urgent, ..self.clone() }.href()
    }

    /// The same by place.
    #[must_use]
    pub fn by_place(&self) -> String {
        Self { view: View::Place, ..self.clone() }.href()
    }
}

/// Percent-encoding of a query value (RFC 3986: unreserved characters stand for themselves).
pub(crate) fn encoded(text: &str) -> String {
    text.bytes()
        .map(|b| match b {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(b).to_string(),
            _ => format!("%{b:02X}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_view_has_its_own_address() {
        assert_eq!(Filter::default().href(), "/");
        let filter = Filter {
            text: "elm & oak".into(),
            state: Some(State::NoData),
            substation: Some(3),
            condition: Some(Condition::ReversePower),
            view: View::Place,
        };
        let href = "/?q=elm%20%26%20oak&state=no-data&substation=3&condition=reverse_power&view=place";
        assert_eq!(filter.href(), href);
    }
}
