//! One point of the database: how it is configured, what it holds, and when a change is an event.

use super::events::Event;
use crate::objects::{
    Class, DoubleBit, Flags, Kind, Layout, Meaning, Number, Point, Time, Timestamp, Value, shape,
};

/// The flags of a point that was never updated: not on line, restarted.
const NEVER_UPDATED: Flags = Flags(0x02);
/// Longest octet string: its length is its variation (annex A, group 110), bytes.
const MAX_OCTETS: usize = 255;

/// What cannot be done with a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PointError {
    /// It is not in the database.
    #[error("there is no {0:?} {1}")]
    Missing(Kind, u16),
    /// It is in the database already.
    #[error("there is a {0:?} {1} already")]
    Twice(Kind, u16),
    /// A value of another kind.
    #[error("{0:?} {1} cannot hold such a value")]
    WrongValue(Kind, u16),
    /// A variation that this kind of point does not have.
    #[error("{0:?} has no such variation: {1}")]
    WrongVariation(Kind, u8),
}

/// How a point reports.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointConfig {
    /// The class of its events; without, or with class 0, it has none.
    pub class: Option<Class>,
    /// The variation of its present value when none is asked for. Octet strings need none: their length is the variation.
    pub static_variation: u8,
    /// The variation of its events when none is asked for.
    pub event_variation: u8,
    /// By how much an analog or a counter must differ from its last event to make the next, in units of the point.
    pub deadband: f64,
}

impl PointConfig {
    /// The usual variations of a kind, with flags, and with time for events; in no class.
    #[must_use]
    pub const fn of(kind: Kind) -> Self {
        let (static_variation, event_variation) = match kind {
            Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput => (2, 2),
            Kind::Counter | Kind::FrozenCounter => (1, 5),
            Kind::Analog => (5, 7),
            Kind::FrozenAnalog => (7, 7),
            Kind::AnalogOutput => (3, 7),
            Kind::Octets => (0, 0),
        };
        Self { class: None, static_variation, event_variation, deadband: 0.0 }
    }

    /// The same, with events of a class.
    #[must_use]
    pub const fn class(self, class: Class) -> Self {
        Self { class: Some(class), ..self }
    }

    /// The same, with these variations.
    #[must_use]
    pub const fn variations(self, static_variation: u8, event_variation: u8) -> Self {
        Self { static_variation, event_variation, ..self }
    }

    /// The same, with a deadband.
    #[must_use]
    pub const fn deadband(self, deadband: f64) -> Self {
        Self { deadband, ..self }
    }

    pub(super) fn check(&self, kind: Kind) -> Result<(), PointError> {
        if kind == Kind::Octets {
            return Ok(());
        }
        let groups =
            [(kind.static_group(), self.static_variation), (kind.event_group(), self.event_variation)];
        for (group, variation) in groups {
            if !matches!(shape(group, variation), Some(s) if matches!(s.meaning, Meaning::Point { .. })) {
                return Err(PointError::WrongVariation(kind, variation));
            }
        }
        Ok(())
    }
}

/// A value that is kept.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Held {
    Plain(Value<'static>),
    Octets(Vec<u8>),
}

impl Held {
    fn of(value: Value<'_>) -> Self {
        match value {
            Value::Binary(on) => Self::Plain(Value::Binary(on)),
            Value::DoubleBit(state) => Self::Plain(Value::DoubleBit(state)),
            Value::Counter(count) => Self::Plain(Value::Counter(count)),
            Value::Analog(number) => Self::Plain(Value::Analog(number)),
            Value::Octets(octets) => Self::Octets(octets_to_keep(octets).to_vec()),
        }
    }

    pub(super) fn value(&self) -> Value<'_> {
        match self {
            Self::Plain(value) => *value,
            Self::Octets(octets) => Value::Octets(octets),
        }
    }
}

/// An octet string of no length has no variation: it is kept as one zero byte, as devices that have nothing to say do.
fn octets_to_keep(octets: &[u8]) -> &[u8] {
    if octets.is_empty() { &[0] } else { &octets[..octets.len().min(MAX_OCTETS)] }
}

/// One point.
#[derive(Debug)]
pub(super) struct Record {
    pub(super) kind: Kind,
    pub(super) index: u16,
    pub(super) config: PointConfig,
    pub(super) held: Held,
    pub(super) flags: Flags,
    /// When it was last updated, by the device's clock.
    pub(super) time: Time,
    /// What the last event said.
    reported: Value<'static>,
}

impl Record {
    pub(super) fn new(kind: Kind, index: u16, config: PointConfig) -> Self {
        let nothing = match kind {
            Kind::Binary | Kind::BinaryOutput => Value::Binary(false),
            Kind::DoubleBit => Value::DoubleBit(DoubleBit::Intermediate),
            Kind::Counter | Kind::FrozenCounter => Value::Counter(0),
            Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => Value::Analog(0.0),
            Kind::Octets => Value::Octets(&[]),
        };
        let time = Time { at: Timestamp::from_millis(0), synchronised: None };
        Self { kind, index, config, held: Held::of(nothing), flags: NEVER_UPDATED, time, reported: nothing }
    }

    /// Takes a value; returns the event that it makes, if any.
    pub(super) fn update(
        &mut self,
        value: Value<'_>,
        flags: Flags,
        time: Time,
    ) -> Result<Option<Event>, PointError> {
        if !self.can_hold(value) {
            return Err(PointError::WrongValue(self.kind, self.index));
        }
        let changed = flags != self.flags || self.differs(value);
        match (&mut self.held, value) {
            (Held::Octets(kept), Value::Octets(octets)) => {
                kept.clear();
                kept.extend_from_slice(octets_to_keep(octets));
            }
            (held, value) => *held = Held::of(value),
        }
        (self.flags, self.time) = (flags, time);
        let Some(class) = self.config.class.filter(|class| changed && *class != Class::Zero) else {
            return Ok(None);
        };
        if let Held::Plain(value) = self.held {
            self.reported = value;
        }
        let held = self.held.clone();
        let variation = self.config.event_variation;
        Ok(Some(Event {
            kind: self.kind,
            index: self.index,
            class,
            variation,
            held,
            flags,
            time,
            sent: false,
        }))
    }

    const fn can_hold(&self, value: Value<'_>) -> bool {
        matches!(
            (self.kind, value),
            (Kind::Binary | Kind::BinaryOutput, Value::Binary(_))
                | (Kind::DoubleBit, Value::DoubleBit(_))
                | (Kind::Counter | Kind::FrozenCounter, Value::Counter(_))
                | (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, Value::Analog(_))
                | (Kind::Octets, Value::Octets(_))
        )
    }

    /// Whether a value differs enough from what was last reported.
    fn differs(&self, value: Value<'_>) -> bool {
        match (value, self.reported) {
            (Value::Analog(new), Value::Analog(old)) => {
                new.is_nan() != old.is_nan() || (new - old).abs() > self.config.deadband
            }
            // a counter that passes its end has not gone far
            (Value::Counter(new), Value::Counter(old)) => {
                f64::from(new.wrapping_sub(old).min(old.wrapping_sub(new))) > self.config.deadband
            }
            (Value::Octets(new), _) => self.held.value() != Value::Octets(octets_to_keep(new)),
            (new, old) => new != old,
        }
    }

    /// The present value.
    pub(super) fn point(&self) -> Point<'_> {
        Point {
            kind: self.kind,
            index: self.index,
            event: false,
            value: self.held.value(),
            flags: Some(self.flags),
            time: Some(self.time),
        }
    }

    /// The variation and the form in which the present value goes out when `asked` is asked for, 0 being any. Packed states have no
    /// room for flags: a point that is not simply on line goes out with them instead (annex A, group 1).
    pub(super) fn form(&self, asked: u8) -> (u8, Layout) {
        let variation = match (&self.held, asked) {
            (Held::Octets(octets), _) => return octets_form(octets),
            (_, 0) => self.config.static_variation,
            (_, asked) => asked,
        };
        let layout = layout(self.kind.static_group(), variation);
        match layout {
            Layout::Bits | Layout::BitPairs if self.flags != Flags::ONLINE => (2, layout_with_flags()),
            _ => (variation, layout),
        }
    }
}

/// The form of an octet string: its length is its variation.
pub(super) fn octets_form(octets: &[u8]) -> (u8, Layout) {
    let length = u8::try_from(octets.len()).unwrap_or(u8::MAX);
    (length, Layout::Octets(length))
}

/// The form of a variation that is known to exist.
pub(super) fn layout(group: u8, variation: u8) -> Layout {
    shape(group, variation).map_or(Layout::Nothing, |shape| shape.layout)
}

const fn layout_with_flags() -> Layout {
    use crate::objects::{EventTime, Fields};
    Layout::Fields(Fields { flags: true, number: Number::InFlags, time: EventTime::None })
}
