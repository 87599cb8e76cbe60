//! One point of a profile for controls that speak DNP3: which object it is, and what its values mean.

use dnp3::objects::{Class, DoubleBit, Fault, Flags, Kind, Value};
use regulator::{Nameplate, Quality, Quantity};

use super::decode::{checked, within_limits};
use super::point::label;

/// The names used in profiles. Octet strings are no quantity, so they have none.
pub(super) const KINDS: &[(&str, Kind)] = &[
    ("binary", Kind::Binary),
    ("double_bit", Kind::DoubleBit),
    ("binary_output", Kind::BinaryOutput),
    ("counter", Kind::Counter),
    ("frozen_counter", Kind::FrozenCounter),
    ("analog", Kind::Analog),
    ("frozen_analog", Kind::FrozenAnalog),
    ("analog_output", Kind::AnalogOutput),
];

/// The names of flags used in profiles.
pub(super) const FLAGS: &[(&str, Fault)] = &[
    ("restart", Fault::Restart),
    ("communication_lost", Fault::CommunicationLost),
    ("remote_forced", Fault::RemoteForced),
    ("local_forced", Fault::LocalForced),
    ("over_range", Fault::OverRange),
    ("reference_check", Fault::ReferenceCheck),
    ("rollover", Fault::Rollover),
    ("discontinuity", Fault::Discontinuity),
    ("chatter", Fault::Chatter),
    ("offline", Fault::Offline),
];

/// The number of a double-bit input that is on; 1 is off, 0 on the way, 3 neither.
pub(super) const ON: i64 = 2;

/// One point.
#[derive(Debug, Clone, PartialEq)]
pub struct ObjectPoint {
    /// What it reports.
    pub quantity: Quantity,
    /// Which of the control's regulators it belongs to, 1 to 3.
    pub position: u8,
    /// Which kind of object.
    pub kind: Kind,
    /// Which of its kind, counted from 0.
    pub index: u16,
    /// In which class the device reports its changes; none if it reports none, so that only a poll of everything renews it.
    pub class: Option<Class>,
    /// Flags that this kind of device sets without meaning anything by them.
    pub ignored: Vec<Fault>,
    /// What the number is multiplied by, to be in the quantity's unit.
    pub scale: f64,
    /// What is added then.
    pub offset: f64,
    /// Lowest and highest value that can be right, in the quantity's unit.
    pub valid: Option<(f64, f64)>,
    /// Numbers, before scaling, that mean "not available".
    pub not_available: Vec<f64>,
    /// Numbers that mean yes; those other than 0 if empty. A binary is 1 or 0, a double-bit input 0 to 3.
    pub yes_when: Vec<i64>,
    /// Where an operation counter starts again at zero.
    pub rollover: Option<u64>,
    /// The line of the profile that it begins at.
    pub line: usize,
}

impl ObjectPoint {
    /// How people are told which point this is.
    #[must_use]
    pub fn label(&self) -> String {
        label(self.quantity.name(), self.position)
    }
}

/// The kind of this name.
pub(super) fn kind(name: &str) -> Option<Kind> {
    KINDS.iter().find(|(known, _)| *known == name).map(|(_, kind)| *kind)
}

/// The name of a kind, as profiles write it.
#[must_use]
pub fn name(kind: Kind) -> &'static str {
    KINDS.iter().find(|(_, known)| *known == kind).map_or("octets", |(name, _)| name)
}

/// The flags that an object of this kind can have.
pub(super) fn flags_of(kind: Kind) -> Vec<Fault> {
    // off line, and everything else set
    Flags(!Flags::ONLINE.0).faults(kind).collect()
}

/// The value of a point and how far to trust it, by the profile alone. What the device says against it comes first; the value
/// is kept all the same, as far as it is one. Without flags it is on line by definition.
#[must_use]
pub fn value(point: &ObjectPoint, value: Value<'_>, flags: Option<Flags>) -> (Option<f64>, Quality) {
    let (value, quality) = by_number(point, value);
    let fault = flags.and_then(|f| f.faults(point.kind).find(|fault| !point.ignored.contains(fault)));
    (value, fault.map_or(quality, quality_of))
}

/// As [`value`]; a tap beyond the nameplate's limits is kept as [`Quality::OutOfRange`].
#[must_use]
pub fn value_on(
    point: &ObjectPoint,
    value: Value<'_>,
    flags: Option<Flags>,
    nameplate: &Nameplate,
) -> (Option<f64>, Quality) {
    let (value, quality) = self::value(point, value, flags);
    (value, within_limits(point.quantity, value, quality, nameplate))
}

fn by_number(point: &ObjectPoint, value: Value<'_>) -> (Option<f64>, Quality) {
    let number = match value {
        Value::Binary(state) => f64::from(u8::from(state)),
        Value::DoubleBit(state) => f64::from(state.bits()),
        Value::Counter(count) => f64::from(count),
        Value::Analog(number) => number,
        Value::Octets(_) => return (None, Quality::Invalid),
    };
    if point.not_available.iter().any(|n| *n == number || n.is_nan() && number.is_nan()) {
        return (None, Quality::NotAvailable);
    }
    if !point.quantity.is_flag() {
        let value = number * point.scale + point.offset;
        return checked(point.quantity, point.valid, point.rollover, value);
    }
    if !number.is_finite() {
        return (None, Quality::Invalid);
    }
    #[allow(clippy::cast_precision_loss, reason = "numbers that objects can be are far smaller")]
    let named = point.yes_when.iter().any(|n| *n as f64 == number);
    // on the way between its two states, or in both, a double-bit input is neither yes nor no
    if let Value::DoubleBit(state) = value
        && !named
        && matches!(state, DoubleBit::Intermediate | DoubleBit::Indeterminate)
    {
        return (None, Quality::NotAvailable);
    }
    let yes = if point.yes_when.is_empty() { number != 0.0 } else { named };
    (Some(f64::from(u8::from(yes))), Quality::Good)
}

const fn quality_of(fault: Fault) -> Quality {
    match fault {
        Fault::Offline => Quality::Offline,
        Fault::Restart => Quality::Restarted,
        Fault::CommunicationLost => Quality::CommunicationLost,
        Fault::RemoteForced | Fault::LocalForced => Quality::Forced,
        Fault::Chatter => Quality::Chatter,
        Fault::OverRange => Quality::OverRange,
        Fault::ReferenceCheck => Quality::ReferenceCheck,
        Fault::Rollover => Quality::RolledOver,
        Fault::Discontinuity => Quality::Discontinuity,
    }
}

#[cfg(test)]
mod tests {
    use super::super::Profile;
    use super::*;

    /// The one point of a profile, with these keys beside quantity, object and index.
    fn point(quantity: &str, object: &str, keys: &str) -> ObjectPoint {
        let source = format!(
            "title = \"t\"\nprotocol = \"dnp3\"\n[[point]]\nquantity = \"{quantity}\"\nobject = \"{object}\"\nindex = 0\n{keys}"
        );
        Profile::parse("t.toml", &source).unwrap_or_else(|e| panic!("{e}")).objects.remove(0)
    }

    const ONLINE: Option<Flags> = Some(Flags::ONLINE);

    fn volts(keys: &str) -> ObjectPoint {
        point("load_voltage", "analog", &format!("unit = \"V\"\n{keys}"))
    }

    #[test]
    fn an_analog_is_scaled_and_rounded_as_the_database_holds_it() {
        let scaled = volts("scale = 0.01\noffset = 1");
        let good = (Some(f64::from(122.34_f32)), Quality::Good);
        assert_eq!(value(&scaled, Value::Analog(12_134.0), ONLINE), good);
        assert_eq!(value(&scaled, Value::Analog(12_134.0), None), good, "without flags it is on line");
    }

    #[test]
    fn the_worst_that_the_device_says_is_the_quality_and_the_value_is_kept() {
        use Quality::*;
        let (volts, count, state) =
            (volts(""), point("operations", "counter", ""), point("blocked", "binary", ""));
        for (point, flags, quality) in [
            (&volts, 0x01, Good),
            (&volts, 0x00, Offline),
            (&volts, 0x06, Offline),
            (&volts, 0x07, CommunicationLost),
            (&volts, 0x03, Restarted),
            (&volts, 0x1B, Restarted),
            (&volts, 0x09, Forced),
            (&volts, 0x11, Forced),
            (&volts, 0x21, OverRange),
            (&volts, 0x41, ReferenceCheck),
            (&volts, 0x61, ReferenceCheck),
            (&count, 0x21, RolledOver),
            (&count, 0x41, Discontinuity),
            (&state, 0x21, Chatter),
            // the state itself is no fault
            (&state, 0x81, Good),
        ] {
            let raw = match point.kind {
                Kind::Counter => Value::Counter(1),
                Kind::Binary => Value::Binary(true),
                _ => Value::Analog(1.0),
            };
            assert_eq!(
                value(point, raw, Some(Flags(flags))),
                (Some(1.0), quality),
                "{} {flags:#04x}",
                point.label()
            );
        }
    }

    #[test]
    fn flags_that_a_kind_of_device_means_nothing_by_are_passed_over_and_others_are_not() {
        let point = volts("ignore_flags = [\"offline\", \"restart\"]");
        assert_eq!(value(&point, Value::Analog(120.0), Some(Flags(0x02))), (Some(120.0), Quality::Good));
        let lost = value(&point, Value::Analog(120.0), Some(Flags(0x06)));
        assert_eq!(lost, (Some(120.0), Quality::CommunicationLost));
        let one = volts("ignore_flags = \"over_range\"");
        assert_eq!(value(&one, Value::Analog(120.0), Some(Flags(0x21))).1, Quality::Good);
    }

    #[test]
    fn a_value_out_of_range_is_kept_and_what_the_device_says_is_worse() {
        let point = volts("valid = [80, 160]");
        assert_eq!(value(&point, Value::Analog(200.0), ONLINE), (Some(200.0), Quality::OutOfRange));
        assert_eq!(value(&point, Value::Analog(200.0), Some(Flags(0x21))), (Some(200.0), Quality::OverRange));
    }

    #[test]
    fn not_available_is_missing_and_not_zero() {
        let point = volts("scale = 0.1\nnot_available = [-32768, nan, 9.9e20]");
        for raw in [-32_768.0, f64::NAN, 9.9e20, f64::from(9.9e20_f32)] {
            assert_eq!(value(&point, Value::Analog(raw), ONLINE), (None, Quality::NotAvailable), "{raw}");
        }
        assert_eq!(value(&point, Value::Analog(0.0), ONLINE), (Some(0.0), Quality::Good));
        // off line says more
        assert_eq!(value(&point, Value::Analog(-32_768.0), Some(Flags(0))), (None, Quality::Offline));
    }

    #[test]
    fn what_is_no_number_is_invalid() {
        for raw in [Value::Analog(f64::NAN), Value::Analog(f64::INFINITY), Value::Octets(b"120.0 V")] {
            assert_eq!(value(&volts(""), raw, ONLINE), (None, Quality::Invalid), "{raw:?}");
            assert_eq!(
                value(&point("blocked", "analog", ""), raw, ONLINE),
                (None, Quality::Invalid),
                "{raw:?}"
            );
        }
    }

    #[test]
    fn a_tap_is_whole_and_within_the_nameplate() {
        let tap = point("tap", "analog", "scale = 0.1\nvalid = [-100, 100]");
        let read = |raw| value_on(&tap, Value::Analog(raw), ONLINE, &Nameplate::common());
        assert_eq!(read(-50.0), (Some(-5.0), Quality::Good));
        assert_eq!(read(50.001), (Some(5.0), Quality::Good));
        assert_eq!(read(55.0), (None, Quality::Invalid));
        assert_eq!(read(170.0), (Some(17.0), Quality::OutOfRange));
        let lost = value_on(&tap, Value::Analog(170.0), Some(Flags(0x05)), &Nameplate::common());
        assert_eq!(lost, (Some(17.0), Quality::CommunicationLost));
    }

    #[test]
    fn a_counter_at_or_past_its_rollover_is_out_of_range() {
        let counter = point("operations", "counter", "rollover = 65536");
        assert_eq!(value(&counter, Value::Counter(65_535), ONLINE), (Some(65_535.0), Quality::Good));
        assert_eq!(value(&counter, Value::Counter(65_536), ONLINE), (Some(65_536.0), Quality::OutOfRange));
        let analog = point("operations", "analog", "rollover = 65536");
        assert_eq!(value(&analog, Value::Analog(3.5), ONLINE), (None, Quality::Invalid));
    }

    #[test]
    fn yes_and_no_come_from_binaries_and_from_named_numbers() {
        let yes = (Some(1.0), Quality::Good);
        let no = (Some(0.0), Quality::Good);
        let plain = point("automatic", "binary", "");
        assert_eq!(value(&plain, Value::Binary(true), ONLINE), yes);
        assert_eq!(value(&plain, Value::Binary(false), ONLINE), no);
        let manual = point("automatic", "binary_output", "yes_when = 0");
        assert_eq!(value(&manual, Value::Binary(true), ONLINE), no);
        let mode = point("automatic", "analog", "yes_when = [1, 3]");
        assert_eq!(value(&mode, Value::Analog(3.0), ONLINE), yes);
        assert_eq!(value(&mode, Value::Analog(2.0), ONLINE), no);
    }

    #[test]
    fn a_double_bit_input_between_its_states_is_neither_yes_nor_no() {
        use DoubleBit::*;
        let read = |point: &ObjectPoint, state| value(point, Value::DoubleBit(state), ONLINE);
        let plain = point("automatic", "double_bit", "");
        assert_eq!(read(&plain, On), (Some(1.0), Quality::Good));
        assert_eq!(read(&plain, Off), (Some(0.0), Quality::Good), "off is the number 1");
        assert_eq!(read(&plain, Intermediate), (None, Quality::NotAvailable));
        assert_eq!(read(&plain, Indeterminate), (None, Quality::NotAvailable));
        let named = point("automatic", "double_bit", "yes_when = [1, 3]");
        assert_eq!(read(&named, Indeterminate), (Some(1.0), Quality::Good));
        assert_eq!(read(&named, On), (Some(0.0), Quality::Good));
    }
}
