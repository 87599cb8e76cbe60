//! People: who they are, what they may do, how they sign in.

/// What a person may do; each includes the ones before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// See everything.
    View,
    /// Also acknowledge alarms.
    Operate,
    /// Also change thresholds and recipients.
    Engineer,
    /// Also manage people.
    Administer,
}

/// Extracted by every page but the sign-in: the person who asks. Anyone else is sent to sign in.
#[derive(Debug, Clone)]
pub struct SignedIn {
    /// Their row.
    pub person_id: i32,
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// The token that every form they send must carry, as field `csrf`.
    pub csrf: String,
}
