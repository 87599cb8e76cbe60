//! What a person may do.

/// What a person may do; each includes the ones before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// See everything.
    View,
    /// Also acknowledge alarms.
    Operate,
    /// Also change thresholds, rotas and recipients.
    Engineer,
    /// Also manage people.
    Administer,
}

impl Role {
    /// Every role, least first.
    pub const ALL: &'static [Self] = &[Self::View, Self::Operate, Self::Engineer, Self::Administer];

    /// The word stored, typed and shown.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::View => "view",
            Self::Operate => "operate",
            Self::Engineer => "engineer",
            Self::Administer => "administer",
        }
    }

    /// What the role may do, for people who choose one.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::View => "see everything",
            Self::Operate => "also acknowledge alarms",
            Self::Engineer => "also change thresholds, rotas and recipients",
            Self::Administer => "also manage people",
        }
    }
}

/// A word that is no role.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is not a role; use view, operate, engineer or administer")]
pub struct UnknownRole(String);

impl std::str::FromStr for Role {
    type Err = UnknownRole;

    fn from_str(word: &str) -> Result<Self, UnknownRole> {
        Self::ALL.iter().copied().find(|role| role.name() == word).ok_or_else(|| UnknownRole(word.to_owned()))
    }
}

impl std::fmt::Display for Role {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_is_read_back_from_its_name_and_others_are_refused() {
        for role in Role::ALL {
            assert_eq!(role.name().parse(), Ok(*role));
        }
        assert!("Administer".parse::<Role>().unwrap_err().to_string().contains("use view, operate"));
    }

    #[test]
    fn each_role_includes_the_ones_before_it() {
        assert!(Role::ALL.is_sorted());
        assert!(Role::View < Role::Operate && Role::Engineer < Role::Administer);
    }
}
