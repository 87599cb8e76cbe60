//! What can be wrong with a fragment.

/// A fragment that is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FragmentError {
    /// It ends before its header does.
    #[error("a fragment of {0} bytes is too short for its header")]
    TooShort(usize),
}

/// Where the objects of a fragment stopped to make sense. What came before is sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ObjectError {
    /// The fragment ends within an object's header.
    #[error("the fragment ends within an object header")]
    HeaderCut,
    /// An object that is not known, so that its length is not known either.
    #[error("unknown object: group {group} variation {variation}")]
    UnknownObject {
        /// Its group.
        group: u8,
        /// Its variation.
        variation: u8,
    },
    /// A qualifier that is not known.
    #[error("unknown qualifier 0x{qualifier:02X} of group {group} variation {variation}")]
    UnknownQualifier {
        /// The object's group.
        group: u8,
        /// Its variation.
        variation: u8,
        /// The qualifier.
        qualifier: u8,
    },
    /// A qualifier that this object cannot have here.
    #[error("qualifier 0x{qualifier:02X} does not go with group {group} variation {variation}")]
    QualifierMisplaced {
        /// The object's group.
        group: u8,
        /// Its variation.
        variation: u8,
        /// The qualifier.
        qualifier: u8,
    },
    /// A range that ends before it begins, or beyond what can be counted.
    #[error("impossible range {start} to {stop} of group {group} variation {variation}")]
    ImpossibleRange {
        /// The object's group.
        group: u8,
        /// Its variation.
        variation: u8,
        /// First index.
        start: u32,
        /// Last index.
        stop: u32,
    },
    /// Zero objects.
    #[error("a count of zero of group {group} variation {variation}")]
    CountOfZero {
        /// The object's group.
        group: u8,
        /// Its variation.
        variation: u8,
    },
    /// Fewer bytes than the count says.
    #[error("the fragment ends within {count} objects of group {group} variation {variation}")]
    DataCut {
        /// The object's group.
        group: u8,
        /// Its variation.
        variation: u8,
        /// How many objects were announced.
        count: u32,
    },
}
