//! Every variation of every kind of point that we support, and what a value looks like in it.

use dnp3::link::Address;
use dnp3::objects::{Class, DoubleBit, EventTime, Fields, Flags, Kind, Layout, Number, Value, shape};
use dnp3::outstation::{Database, PointConfig, Session, SessionConfig};

use crate::told::{Told, flag_bits};

pub(crate) const MASTER: Address = Address::from_wire(1);
pub(crate) const OUTSTATION: Address = Address::from_wire(10);

/// The variations of a group that hold values. Octet strings have one for each length.
pub(crate) fn variations(group: u8) -> Vec<u8> {
    let most = if group >= Kind::Octets.static_group() { 3 } else { u8::MAX };
    (1..=most).filter(|variation| shape(group, *variation).is_some()).collect()
}

/// A number for the `n`-th change of a point, which differs from those before; large ones are beyond 16 bits, some beyond 32.
fn number(kind: Kind, index: u16, n: u32) -> f64 {
    let count = u32::from(index) * 1_000 + n;
    match kind {
        Kind::Binary | Kind::BinaryOutput => f64::from((u32::from(index) + n) % 2),
        Kind::DoubleBit => f64::from((u32::from(index) + n) % 4),
        Kind::Octets => 0.0,
        Kind::Counter | Kind::FrozenCounter => f64::from(count.wrapping_mul(2_654_435_761)),
        _ if n % 5 == 4 => f64::from(count) * -1e6,
        // a quarter is exact in every width, and rounds down
        _ => f64::from(count) * if n.is_multiple_of(2) { 1.0 } else { -1.0 } + 0.25,
    }
}

/// A point of a station that takes every form there is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Form {
    pub(crate) kind: Kind,
    pub(crate) index: u16,
    pub(crate) class: Class,
    pub(crate) present: u8,
    pub(crate) event: u8,
}

impl Form {
    pub(crate) fn config(&self) -> PointConfig {
        PointConfig::of(self.kind).class(self.class).variations(self.present, self.event)
    }

    /// Changes for the `n`-th time, at the time of `now`; returns the event as it must go over the wire.
    pub(crate) fn change(&self, session: &mut Session, n: u32, now: dnp3::Now) -> Told {
        let number = number(self.kind, self.index, n);
        // an octet string has the length of its variation
        let length = if self.kind == Kind::Octets { self.event } else { 0 };
        let octets: Vec<u8> = (0..length).map(|i| i.wrapping_add(u8::try_from(n % 251).unwrap())).collect();
        let value = match self.kind {
            Kind::Binary | Kind::BinaryOutput => Value::Binary(number > 0.0),
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 3")]
            Kind::DoubleBit => Value::DoubleBit(DoubleBit::from_bits(number as u8)),
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "made from 32 bits")]
            Kind::Counter | Kind::FrozenCounter => Value::Counter(number as u32),
            Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => Value::Analog(number),
            Kind::Octets => Value::Octets(&octets),
        };
        let flags = if self.is_packed() { 1 } else { [1, 1, 5, 3][usize::try_from(n % 4).unwrap()] };
        session.update(self.kind, self.index, value, Flags(flags), now).unwrap();
        self.shown(true, number, flags, session.clock(now).millis(), octets)
    }

    /// Whether the present value goes out as bits.
    fn is_packed(&self) -> bool {
        let layout = shape(self.kind.static_group(), self.present).unwrap().layout;
        matches!(layout, Layout::Bits | Layout::BitPairs)
    }

    /// The present value that goes out after an event of which the wire may have shown less.
    pub(crate) fn present(&self, session: &Session) -> Told {
        let point = session.database().point(self.kind, self.index).unwrap();
        let held = Told::ours(&point);
        self.shown(false, held.number, held.flags.unwrap(), held.time.unwrap(), held.octets)
    }

    fn shown(&self, event: bool, number: f64, flags: u8, time: u64, octets: Vec<u8>) -> Told {
        let (group, variation) = match event {
            true => (self.kind.event_group(), self.event),
            false => (self.kind.static_group(), self.present),
        };
        let Layout::Fields(fields) = shape(group, variation).unwrap().layout else {
            return Told { kind: self.kind, index: self.index, number, octets, flags: None, time: None };
        };
        let (number, over_range) = in_form(number, fields);
        let flags = (flags | if over_range { 0x20 } else { 0 }) & flag_bits(self.kind);
        Told {
            kind: self.kind,
            index: self.index,
            number,
            octets,
            flags: fields.flags.then_some(flags),
            time: (fields.time != EventTime::None).then_some(time),
        }
    }
}

/// A number as a form shows it, and whether it had to be cut: the nearest that fits (clause 11.6.1.1); counters modulo their width.
#[allow(clippy::cast_possible_truncation, reason = "single precision is what it is about")]
fn in_form(number: f64, fields: Fields) -> (f64, bool) {
    let cut = |least: f64, most: f64| {
        let whole = number.round();
        (whole.clamp(least, most), !(least..=most).contains(&whole))
    };
    match fields.number {
        Number::InFlags | Number::U32 | Number::F64 => (number, false),
        Number::U16 => (number.rem_euclid(65_536.0), false),
        Number::I16 => cut(i16::MIN.into(), i16::MAX.into()),
        Number::I32 => cut(i32::MIN.into(), i32::MAX.into()),
        Number::F32 => (f64::from(number as f32), false),
    }
}

/// Points that take every static and every event variation so many times, in all classes.
pub(crate) fn every_form(times: usize) -> Vec<Form> {
    let mut forms = vec![];
    for kind in Kind::ALL {
        let (present, event) = (variations(kind.static_group()), variations(kind.event_group()));
        for i in 0..present.len().max(event.len()) * times {
            // gaps, and indices of two bytes
            let index = u16::try_from(i + i / 7 * 50).unwrap();
            let class = Class::EVENTS[i / 2 % 3];
            // an octet string has one length for both
            let at = |of: &[u8]| of[i % of.len()];
            forms.push(Form { kind: *kind, index, class, present: at(&present), event: at(&event) });
        }
    }
    forms
}

/// A session with points of some forms.
pub(crate) fn session(config: SessionConfig, forms: &[Form]) -> Session {
    let mut database = Database::new(100_000);
    for form in forms {
        database.add(form.kind, form.index, form.config()).unwrap();
    }
    Session::new(config, database)
}
