//! The values a regulator's conditions are judged by: defaults, overridden by scope.

use std::collections::BTreeMap;

use super::Condition;

/// The values in force for one regulator (or endpoint): the narrowest scope that sets one wins, else the default.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Settings {
    overrides: BTreeMap<(Condition, String), f64>,
}

impl Settings {
    /// Sets one value; call from the widest scope to the narrowest.
    pub fn set(&mut self, condition: Condition, parameter: &str, value: f64) {
        self.overrides.insert((condition, parameter.to_owned()), value);
    }
}

impl Settings {
    /// The value in force.
    ///
    /// # Panics
    /// If the condition has no such parameter: the names are ours, and tests walk them all.
    #[must_use]
    pub fn get(&self, condition: Condition, parameter: &str) -> f64 {
        let default = condition.parameter(parameter).expect("a parameter of this condition").default;
        self.overrides.get(&(condition, parameter.to_owned())).copied().unwrap_or(default)
    }
}
