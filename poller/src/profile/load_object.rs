//! From one `[[point]]` of a profile for DNP3 to an [`ObjectPoint`]. What the keys mean together is checked in
//! [`super::agree`].

use dnp3::objects::{Class, Fault, Kind};
use regulator::Quantity;
use toml::de::DeValue;

use super::common::Common;
use super::fields::{Fields, number, suggest, whole};
use super::object::{FLAGS, KINDS, ObjectPoint, flags_of};
use super::{agree, object};

/// The keys that only such a point has.
pub(super) const KEYS: &[&str] = &["object", "index", "class", "ignore_flags"];

/// The point, unless something that it cannot do without is missing or wrong; every fault is noted either way.
pub(super) fn load(mut fields: Fields<'_, '_, '_>) -> Option<ObjectPoint> {
    let common = Common::load(&mut fields, KEYS);
    let kind = kind(&mut fields);
    let index = index(&mut fields);
    let class = class(&mut fields);
    let (quantity, kind) = (common.quantity?, kind?);
    let ignored = ignored(&mut fields, kind);
    agree::unit(&mut fields, quantity);
    agree::object(&mut fields, quantity, kind);
    let rollover = agree::object_counter(&mut fields, quantity, kind, common.rollover);
    let not_available = not_available(&mut fields, kind);
    let yes_when = yes_when(&mut fields, quantity, kind);
    Some(ObjectPoint {
        quantity,
        position: common.position?,
        kind,
        index: index?,
        class,
        ignored,
        scale: common.scale,
        offset: common.offset,
        valid: common.valid,
        not_available,
        yes_when,
        rollover,
        line: fields.faults.line(fields.offset),
    })
}

fn kind(fields: &mut Fields<'_, '_, '_>) -> Option<Kind> {
    if fields.has("object").is_none() {
        fields.missing("object", "\"analog\" (or \"binary\", \"counter\", ...)");
    }
    let names: Vec<_> = KINDS.iter().map(|(name, _)| *name).collect();
    object::kind(fields.choice("object", &names)?.value)
}

fn index(fields: &mut Fields<'_, '_, '_>) -> Option<u16> {
    if fields.has("index").is_none() {
        fields.missing("index", "0 (counted from 0, as on the wire)");
    }
    u16::try_from(fields.integer("index", 0..=65_535)?.value).ok()
}

fn class(fields: &mut Fields<'_, '_, '_>) -> Option<Class> {
    match fields.integer("class", 0..=3)?.value {
        1 => Some(Class::One),
        2 => Some(Class::Two),
        3 => Some(Class::Three),
        _ => None,
    }
}

/// Flags to pass over, each of them one that such an object has.
fn ignored(fields: &mut Fields<'_, '_, '_>, kind: Kind) -> Vec<Fault> {
    let names: Vec<_> = FLAGS.iter().map(|(name, _)| *name).collect();
    let possible = flags_of(kind);
    let mut found = vec![];
    for item in fields.one_or_many("ignore_flags") {
        let at = item.span().start;
        let Some(name) = item.get_ref().as_str() else {
            fields.fault(at, "ignore_flags is not a list of names", "write it as [\"restart\"]");
            continue;
        };
        match FLAGS.iter().find(|(flag, _)| *flag == name) {
            None => fields.fault(at, format!("unknown flag '{name}'"), suggest(name, &names)),
            Some((_, fault)) if possible.contains(fault) => found.push(*fault),
            Some(_) => {
                let has: Vec<_> =
                    FLAGS.iter().filter(|(_, f)| possible.contains(f)).map(|(name, _)| *name).collect();
                fields.fault(
                    at,
                    format!("object {} has no flag '{name}'", object::name(kind)),
                    format!("remove it; it has: {}", has.join(", ")),
                );
            }
        }
    }
    found
}

/// The numbers that an object of this kind can be, where they are whole.
const fn range(kind: Kind) -> Option<(f64, f64)> {
    match kind {
        Kind::Binary | Kind::BinaryOutput => Some((0.0, 1.0)),
        Kind::DoubleBit => Some((0.0, 3.0)),
        Kind::Counter | Kind::FrozenCounter => Some((0.0, u32::MAX as f64)),
        Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput | Kind::Octets => None,
    }
}

fn can_be(kind: Kind, n: f64) -> bool {
    range(kind).is_none_or(|(low, high)| n.fract() == 0.0 && (low..=high).contains(&n))
}

fn values_of(kind: Kind) -> String {
    range(kind).map_or("a number".to_owned(), |(low, high)| format!("a whole number from {low} to {high}"))
}

fn not_available(fields: &mut Fields<'_, '_, '_>, kind: Kind) -> Vec<f64> {
    let mut found = vec![];
    for item in fields.one_or_many("not_available") {
        match number(item.get_ref()).filter(|n| can_be(kind, *n)) {
            Some(n) => found.extend(both_precisions(n, item.get_ref())),
            None => fields.fault(
                item.span().start,
                format!("not_available is not {}, as object {} is", values_of(kind), object::name(kind)),
                "write the number as the device reports it, before scaling, such as -32768; analogs may also use nan",
            ),
        }
    }
    found
}

/// A number as written, and the nearest one that a device can send in single precision.
fn both_precisions(n: f64, value: &DeValue<'_>) -> impl Iterator<Item = f64> + use<> {
    #[allow(clippy::cast_possible_truncation, reason = "rounding is the purpose")]
    let single = f64::from(n as f32);
    let rounded = whole(value).is_none() && single.is_finite() && single != n;
    [Some(n), rounded.then_some(single)].into_iter().flatten()
}

/// Numbers that mean yes. Of a double-bit input it is "on" unless told otherwise: its "off" is not 0.
fn yes_when(fields: &mut Fields<'_, '_, '_>, quantity: Quantity, kind: Kind) -> Vec<i64> {
    if agree::yes_when(fields, quantity) {
        return vec![];
    }
    let mut found = vec![];
    for item in fields.one_or_many("yes_when") {
        #[allow(clippy::cast_precision_loss, reason = "numbers that objects can be are far smaller")]
        match whole(item.get_ref()).filter(|n| can_be(kind, *n as f64)) {
            Some(n) => found.push(n),
            None => fields.fault(
                item.span().start,
                format!("yes_when is not {}, as object {} is", values_of(kind), object::name(kind)),
                "write the numbers that mean yes, such as 1 or [1, 3]",
            ),
        }
    }
    if found.is_empty() && quantity.is_flag() && kind == Kind::DoubleBit {
        found.push(object::ON);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::{Profile, Protocol};

    const HEAD: &str = "title = \"t\"\nprotocol = \"dnp3\"\n";

    fn profile(body: &str) -> String {
        format!("{HEAD}[[point]]\n{body}\n")
    }

    /// The only fault of a profile, and its line.
    fn fault(text: &str) -> (usize, String) {
        let errors = Profile::parse("mine.toml", text).unwrap_err().0;
        assert_eq!(errors.len(), 1, "{errors:?}");
        (errors[0].line, errors[0].to_string())
    }

    const VOLTAGE: &str = "quantity = \"load_voltage\"\nunit = \"V\"\n";

    #[test]
    fn every_fault_names_file_line_point_and_remedy() {
        let (_, shown) = fault(&profile(&format!("{VOLTAGE}object = \"analogue\"\nindex = 0")));
        assert_eq!(
            shown,
            "mine.toml:6: load_voltage of position 1: unknown object 'analogue'; did you mean 'analog'?"
        );
    }

    #[test]
    fn each_way_to_be_wrong_is_told_at_its_line() {
        let analog = |rest: &str| format!("{VOLTAGE}object = \"analog\"\nindex = 0\n{rest}");
        let state = |object: &str, rest: &str| {
            format!("quantity = \"automatic\"\nindex = 0\nobject = \"{object}\"\n{rest}")
        };
        let count = |object: &str, rest: &str| {
            format!("quantity = \"operations\"\nindex = 0\nobject = \"{object}\"\n{rest}")
        };
        for (body, line, words) in [
            (format!("{VOLTAGE}index = 0"), 3, "'object' is missing; add object = \"analog\""),
            (format!("{VOLTAGE}object = \"analog\""), 3, "'index' is missing"),
            (format!("{VOLTAGE}object = \"analog\"\nindex = 65536"), 7, "use 0 to 65535"),
            (format!("{VOLTAGE}object = \"octets\"\nindex = 0"), 6, "use one of: binary, double_bit"),
            (format!("{VOLTAGE}object = \"binary\"\nindex = 0"), 6, "is a number and cannot be a binary"),
            ("quantity = \"load_voltage\"\nobject = \"analog\"\nindex = 0".into(), 3, "'unit' is missing"),
            (analog("class = 4"), 8, "use 0 to 3"),
            (analog("position = 4"), 8, "use 1 to 3"),
            (analog("clas = 1"), 8, "did you mean 'class'?"),
            (analog("scale = 0"), 8, "scale = 0"),
            (analog("valid = [160, 80]"), 8, "reversed"),
            (analog("rollover = 100"), 8, "belongs to operations only"),
            (analog("yes_when = 1"), 8, "yes_when has no meaning"),
            (analog("not_available = \"none\""), 8, "not_available is not a number, as object analog is"),
            (analog("ignore_flags = [\"ofline\"]"), 8, "unknown flag 'ofline'; did you mean 'offline'?"),
            (analog("ignore_flags = [1]"), 8, "not a list of names"),
            (
                analog("ignore_flags = [\"chatter\"]"),
                8,
                "object analog has no flag 'chatter'; remove it; it has: restart, communication_lost, remote_forced, \
                 local_forced, over_range, reference_check, offline",
            ),
            (analog("table = \"input\""), 8, "'table' belongs to Modbus, but this profile is for DNP3"),
            (analog("word_order = \"big\""), 8, "'word_order' belongs to Modbus"),
            (state("binary", "yes_when = 2"), 7, "not a whole number from 0 to 1, as object binary is"),
            (state("double_bit", "yes_when = 4"), 7, "from 0 to 3"),
            (state("double_bit", "scale = 2"), 7, "which is a yes or no"),
            (state("counter", "not_available = -1"), 7, "from 0 to 4294967295"),
            (count("counter", "scale = 10"), 7, "taken as it stands"),
            (count("counter", "rollover = 4294967297"), 7, "out of range"),
            (count("analog", ""), 6, "where a counter in an analog rolls over cannot be told; add rollover"),
            (count("binary", ""), 6, "is a number and cannot be a binary"),
        ] {
            let (found, shown) = fault(&profile(&body));
            assert!(shown.contains(words), "{shown}\nlacks: {words}");
            assert_eq!(found, line, "{shown}");
        }
    }

    #[test]
    fn a_profile_is_for_one_protocol() {
        let tap = "quantity = \"tap\"\nobject = \"analog\"\nindex = 0";
        let (line, shown) = fault(&format!("gap = 8\n{}", profile(tap)));
        assert_eq!((line, shown.contains("gap has no meaning for DNP3; remove it")), (1, true), "{shown}");

        let register = "[[point]]\nquantity = \"current\"\nunit = \"A\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"\n";
        let (line, shown) = fault(&format!("{}{register}", profile(tap)));
        assert_eq!(line, 10);
        assert!(shown.contains("current of position 1: 'table' belongs to Modbus"), "{shown}");
        let (line, shown) = fault(&format!("title = \"t\"\n[[point]]\n{tap}\n{register}"));
        assert_eq!(line, 4);
        assert!(shown.contains("'object' belongs to DNP3, but this profile is for Modbus"), "{shown}");
    }

    #[test]
    fn a_protocol_that_is_forgotten_or_misspelt_is_told_once() {
        let points = "[[point]]\nquantity = \"tap\"\nobject = \"analog\"\nindex = 0\n\
                      [[point]]\nquantity = \"operations\"\nobject = \"counter\"\nindex = 0\n";
        let (line, shown) = fault(&format!("title = \"t\"\n{points}"));
        assert_eq!((line, shown.contains("write protocol = \"dnp3\" at the top")), (1, true), "{shown}");
        let (line, shown) = fault(&format!("title = \"t\"\nprotocol = \"dnp\"\n{points}"));
        assert_eq!((line, shown.contains("did you mean 'dnp3'?")), (2, true), "{shown}");
    }

    #[test]
    fn one_object_may_say_two_things_and_nothing_is_said_twice() {
        let power = |index: u16| {
            format!(
                "[[point]]\nquantity = \"real_power\"\nunit = \"kW\"\nobject = \"analog\"\nindex = {index}\n"
            )
        };
        let flow = "[[point]]\nquantity = \"reverse_flow\"\nobject = \"analog\"\nindex = 3\nyes_when = -1\n";
        let both = Profile::parse("f", &format!("{HEAD}{}{flow}", power(3))).unwrap();
        assert_eq!((both.objects.len(), both.points.len(), both.protocol()), (2, 0, Protocol::Dnp3));
        let (line, shown) = fault(&format!("{HEAD}{}{}", power(3), power(4)));
        assert_eq!(line, 8);
        assert!(shown.contains("real_power of position 1: is mapped twice: first at line 3"), "{shown}");
    }

    #[test]
    fn counters_have_32_bits_unless_told_otherwise() {
        for (object, rest, modulus) in [
            ("counter", "", 1 << 32),
            ("frozen_counter", "", 1 << 32),
            ("counter", "rollover = 65536", 65_536),
            ("analog", "rollover = 1000000", 1_000_000),
        ] {
            let body =
                format!("quantity = \"operations\"\nposition = 2\nobject = \"{object}\"\nindex = 0\n{rest}");
            let profile = Profile::parse("f", &profile(&body)).unwrap();
            assert_eq!((profile.counter_modulus(2), profile.counter_modulus(1)), (Some(modulus), None));
            assert_eq!(profile.positions(), [2]);
        }
    }
}
