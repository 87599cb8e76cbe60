//! Controls that speak DNP3: which object shows which quantity, and what is left of a value in it.

use dnp3::objects::{Class, DoubleBit, Flags, Kind, Value};
use dnp3::outstation::{Database, PointConfig, Session};
use regulator::{Quantity as Q, Quantity, Reading};

use super::coding::single;

/// One quantity's place and form.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Object {
    pub(crate) quantity: Quantity,
    kind: Kind,
    /// Of the first regulator.
    index: u16,
    /// From one regulator of a control to the next.
    stride: u16,
    class: Option<Class>,
    form: Form,
    /// Smallest change that is reported, in the quantity's unit.
    deadband: f64,
}

/// How a value is written.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Form {
    /// Single-precision float, in the quantity's unit.
    Float,
    /// 16-bit whole number of steps so large.
    Steps(f64),
    /// 32-bit count, or one of 16 bits.
    Count,
    /// On or off.
    State,
    /// On is yes, off is no.
    DoubleState,
}

const fn object(quantity: Quantity, kind: Kind, index: u16, class: Option<Class>, form: Form) -> Object {
    Object { quantity, kind, index, stride: 0, class, form, deadband: 0.0 }
}

impl Object {
    const fn each(self, stride: u16) -> Self {
        Self { stride, ..self }
    }

    const fn beyond(self, deadband: f64) -> Self {
        Self { deadband, ..self }
    }

    const fn at(&self, position: u8) -> u16 {
        self.index + (position as u16 - 1) * self.stride
    }

    /// Static and event variations, events with their time.
    const fn variations(&self) -> (u8, u8) {
        match (self.kind, self.form) {
            (Kind::AnalogOutput, _) => (3, 7),
            (_, Form::Float) => (5, 7),
            (_, Form::Steps(_)) => (2, 4),
            (_, Form::Count) => (1, 5),
            (_, Form::State | Form::DoubleState) => (2, 2),
        }
    }

    /// The value on the wire.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "counts fit 32 bits")]
    fn value(&self, value: f64) -> Value<'static> {
        match self.form {
            Form::Float => Value::Analog(single(value).into()),
            Form::Steps(step) => Value::Analog((value / step).round().clamp(-32_768.0, 32_767.0)),
            Form::Count => Value::Counter(value as u32),
            Form::State => Value::Binary(value != 0.0),
            Form::DoubleState => Value::DoubleBit(if value == 0.0 { DoubleBit::Off } else { DoubleBit::On }),
        }
    }

    /// What is left of a value after its way over the wire.
    pub(super) fn rounded(&self, value: f64) -> f64 {
        match self.form {
            Form::Float => single(value).into(),
            Form::Steps(step) => (value / step).round() * step,
            Form::Count => value,
            Form::State | Form::DoubleState => f64::from(u8::from(value != 0.0)),
        }
    }
}

/// The points of a control with so many regulators, all off line until they are written.
pub(super) fn database(objects: &[Object], positions: u8) -> Database {
    let mut database = Database::new(EVENTS);
    for position in 1..=positions {
        for object in objects {
            let (present, event) = object.variations();
            let mut config = PointConfig::of(object.kind).variations(present, event);
            if let Some(class) = object.class {
                config = config.class(class).deadband(match object.form {
                    Form::Steps(step) => object.deadband / step,
                    _ => object.deadband,
                });
            }
            // the tables below name each place once
            database.add(object.kind, object.at(position), config).expect("a point of its own");
        }
    }
    database
}

/// Events that a control holds while nobody asks for them.
const EVENTS: usize = 2_000;

/// Brings the points of the regulator at this position up to date.
pub(super) fn write(
    objects: &[Object],
    session: &mut Session,
    position: u8,
    values: &Reading,
    now: dnp3::Now,
) {
    for object in objects {
        if let Some(value) = values.value(object.quantity) {
            let value = object.value(value);
            // every point that is written was added, with values of its kind
            session
                .update(object.kind, object.at(position), value, Flags::ONLINE, now)
                .expect("a point that is there");
        }
    }
}

const ONE: Option<Class> = Some(Class::One);
const TWO: Option<Class> = Some(Class::Two);
const THREE: Option<Class> = Some(Class::Three);

/// One regulator, analogs in their own units.
#[rustfmt::skip]
pub(super) const SINGLE: &[Object] = &[
    object(Q::Tap, Kind::Analog, 0, ONE, Form::Float),
    object(Q::Operations, Kind::Counter, 0, ONE, Form::Count),
    object(Q::Automatic, Kind::Binary, 0, ONE, Form::State),
    object(Q::Blocked, Kind::Binary, 1, ONE, Form::State),
    object(Q::AtNeutral, Kind::Binary, 2, ONE, Form::State),
    object(Q::ReverseFlow, Kind::Binary, 3, ONE, Form::State),
    object(Q::LoadVoltage, Kind::Analog, 1, THREE, Form::Float).beyond(0.1),
    object(Q::SourceVoltage, Kind::Analog, 2, THREE, Form::Float).beyond(0.1),
    object(Q::Current, Kind::Analog, 3, THREE, Form::Float).beyond(0.5),
    object(Q::RealPower, Kind::Analog, 4, THREE, Form::Float).beyond(5.0),
    object(Q::ReactivePower, Kind::Analog, 5, THREE, Form::Float).beyond(5.0),
    object(Q::PowerFactor, Kind::Analog, 6, THREE, Form::Float).beyond(0.01),
    object(Q::VoltageDistortion, Kind::Analog, 7, THREE, Form::Float).beyond(0.2),
    object(Q::CurrentDistortion, Kind::Analog, 8, THREE, Form::Float).beyond(0.5),
    object(Q::SetVoltage, Kind::AnalogOutput, 0, TWO, Form::Float),
    object(Q::Bandwidth, Kind::AnalogOutput, 1, TWO, Form::Float),
    object(Q::TimeDelay, Kind::AnalogOutput, 2, TWO, Form::Float),
    object(Q::LdcResistance, Kind::AnalogOutput, 3, TWO, Form::Float),
    object(Q::LdcReactance, Kind::AnalogOutput, 4, TWO, Form::Float),
];

/// Up to three regulators, scaled 16-bit analogs.
#[rustfmt::skip]
pub(super) const TRIPLE: &[Object] = &[
    object(Q::LoadVoltage, Kind::Analog, 0, TWO, Form::Steps(0.01)).beyond(0.1).each(20),
    object(Q::SourceVoltage, Kind::Analog, 1, TWO, Form::Steps(0.01)).beyond(0.1).each(20),
    object(Q::Current, Kind::Analog, 2, THREE, Form::Steps(0.1)).beyond(0.5).each(20),
    object(Q::RealPower, Kind::Analog, 3, THREE, Form::Steps(1.0)).beyond(5.0).each(20),
    object(Q::ReactivePower, Kind::Analog, 4, THREE, Form::Steps(1.0)).beyond(5.0).each(20),
    object(Q::PowerFactor, Kind::Analog, 5, THREE, Form::Steps(0.001)).beyond(0.01).each(20),
    object(Q::Tap, Kind::Analog, 6, ONE, Form::Steps(1.0)).each(20),
    object(Q::Operations, Kind::Counter, 0, ONE, Form::Count).each(1),
    object(Q::Automatic, Kind::DoubleBit, 0, ONE, Form::DoubleState).each(1),
    object(Q::Blocked, Kind::Binary, 0, ONE, Form::State).each(4),
    object(Q::AtNeutral, Kind::Binary, 1, ONE, Form::State).each(4),
    object(Q::ReverseFlow, Kind::Binary, 2, ONE, Form::State).each(4),
    object(Q::SetVoltage, Kind::Analog, 10, None, Form::Steps(0.1)).each(20),
    object(Q::Bandwidth, Kind::Analog, 11, None, Form::Steps(0.1)).each(20),
    object(Q::TimeDelay, Kind::Analog, 12, None, Form::Steps(1.0)).each(20),
    object(Q::LdcResistance, Kind::Analog, 13, None, Form::Steps(0.1)).each(20),
    object(Q::LdcReactance, Kind::Analog, 14, None, Form::Steps(0.1)).each(20),
];
