//! Sets of classes.

use super::Class;

/// A set of classes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Classes(u8);

impl Classes {
    /// All events.
    pub const EVENTS: Self = Self(0b1110);
    /// All events and all present values.
    pub const ALL: Self = Self(0b1111);
    /// All present values.
    pub const STATIC: Self = Self(0b0001);

    /// Those of a list.
    #[must_use]
    pub fn of(classes: &[Class]) -> Self {
        Self(classes.iter().fold(0, |all, class| all | bit(*class)))
    }

    /// Both together.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// These without `other`.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether a class is among them.
    #[must_use]
    pub const fn contains(self, class: Class) -> bool {
        self.0 & bit(class) != 0
    }

    /// Whether there are none.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Events first, in the order of their classes, then present values: the order in which to ask for them.
    pub fn in_order(self) -> impl Iterator<Item = Class> {
        [Class::One, Class::Two, Class::Three, Class::Zero].into_iter().filter(move |c| self.contains(*c))
    }
}

const fn bit(class: Class) -> u8 {
    1 << (class.variation() - 1)
}
