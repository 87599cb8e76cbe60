//! From the text of a profile to a checked [`Profile`], with every fault noted on the way.

use toml::de::{DeTable, DeValue};

use super::errors::Faults;
use super::fields::Fields;
use super::point::Order;
use super::{Merge, Profile, ProfileErrors, Protocol, check, common, load_object, load_point};
use crate::modbus::{MAX_BITS, MAX_REGISTERS};

const KEYS: &[&str] = &["title", "protocol", "point"];
/// Those that only a profile for Modbus has.
const MODBUS_KEYS: &[&str] = &["word_order", "byte_order", "gap", "bit_gap", "max_registers", "max_bits"];
pub(super) const ORDERS: &[&str] = &["big", "little"];

pub(super) fn load(file_name: &str, text: &str) -> Result<Profile, ProfileErrors> {
    let mut faults = Faults::new(file_name, text);
    let (document, syntax) = DeTable::parse_recoverable(text);
    for error in syntax {
        let offset = error.span().map_or(0, |s| s.start);
        faults.add(offset, None, error.message(), "correct the TOML (https://toml.io has the rules)");
    }
    // What a broken line was meant to say is unknown: faults found beyond it would mislead.
    if !faults.is_empty() {
        return Err(faults.into_errors());
    }
    let mut fields = Fields::new(document.get_ref(), 0, &mut faults);
    fields.refuse_unknown(&[KEYS, MODBUS_KEYS].concat());
    let title = title(&mut fields);
    let Some(protocol) = protocol(&mut fields) else { return Err(faults.into_errors()) };
    if protocol == Protocol::Dnp3 {
        refuse_modbus(&mut fields);
    }
    let merge = merge(&mut fields);
    let order = order(&mut fields, Order::default());
    let (mut points, mut objects) = (vec![], vec![]);
    each_point(&mut fields, |mut fields| match protocol {
        Protocol::Modbus if !foreign(&mut fields, load_object::KEYS, protocol) => {
            points.extend(load_point::load(fields, order));
        }
        Protocol::Dnp3 if !foreign(&mut fields, load_point::KEYS, protocol) => {
            objects.extend(load_object::load(fields));
        }
        Protocol::Modbus | Protocol::Dnp3 => {}
    });
    check::points(&points, merge, &mut faults);
    check::objects(&objects, &mut faults);
    if faults.is_empty() { Ok(Profile { title, merge, points, objects }) } else { Err(faults.into_errors()) }
}

/// The protocol; nothing if what it is cannot be told, so that nothing can be said of the points.
fn protocol(fields: &mut Fields<'_, '_, '_>) -> Option<Protocol> {
    if fields.has("protocol").is_some() {
        let names: Vec<_> = Protocol::ALL.iter().map(|p| p.name()).collect();
        return Protocol::from_name(fields.choice("protocol", &names)?.value);
    }
    let have = |key: &str| {
        let points = fields.one_or_many("point");
        points.iter().filter_map(|p| p.get_ref().as_table()).any(|table| table.contains_key(key))
    };
    if have("object") && !have("table") {
        let what = "the points are DNP3 objects, but the file does not say so";
        fields.fault(0, what, "write protocol = \"dnp3\" at the top");
        return Some(Protocol::Dnp3);
    }
    Some(Protocol::default())
}

fn refuse_modbus(fields: &mut Fields<'_, '_, '_>) {
    for key in MODBUS_KEYS {
        if let Some(offset) = fields.has(key) {
            let remedy = "remove it: it says how to read registers";
            fields.fault(offset, format!("{key} has no meaning for {}", Protocol::Dnp3.title()), remedy);
        }
    }
}

/// Whether a point has one of these keys, which only points of the other protocol have; notes the first. What else is wrong
/// with such a point cannot be said.
fn foreign(fields: &mut Fields<'_, '_, '_>, keys: &[&str], protocol: Protocol) -> bool {
    let first = keys.iter().filter_map(|key| Some((fields.has(key)?, key))).min();
    let Some((offset, key)) = first else { return false };
    let (other, remedy) = match protocol {
        Protocol::Modbus => {
            (Protocol::Dnp3, "say its table, address and type: a profile is for one protocol")
        }
        Protocol::Dnp3 => (Protocol::Modbus, "say its object and index: a profile is for one protocol"),
    };
    common::name_the_point(fields);
    let (here, there) = (protocol.title(), other.title());
    fields.fault(offset, format!("'{key}' belongs to {there}, but this profile is for {here}"), remedy);
    true
}

fn title(fields: &mut Fields<'_, '_, '_>) -> String {
    if fields.has("title").is_none() {
        fields.missing("title", "\"what kind of control this is for\"");
    }
    fields.string("title").map_or_else(String::new, |t| t.value.to_owned())
}

fn merge(fields: &mut Fields<'_, '_, '_>) -> Merge {
    Merge {
        gap: small(fields, "gap", 0, 0, MAX_REGISTERS),
        bit_gap: small(fields, "bit_gap", 0, 0, MAX_BITS),
        max_registers: small(fields, "max_registers", MAX_REGISTERS, 1, MAX_REGISTERS),
        max_bits: small(fields, "max_bits", MAX_BITS, 1, MAX_BITS),
    }
}

fn small(fields: &mut Fields<'_, '_, '_>, key: &str, default: u16, low: u16, high: u16) -> u16 {
    fields
        .integer(key, i64::from(low)..=i64::from(high))
        .and_then(|n| u16::try_from(n.value).ok())
        .unwrap_or(default)
}

/// The word and byte order given here, or else `default`.
pub(super) fn order(fields: &mut Fields<'_, '_, '_>, default: Order) -> Order {
    let word = fields.choice("word_order", ORDERS).map(|c| c.value == "little");
    let byte = fields.choice("byte_order", ORDERS).map(|c| c.value == "little");
    Order {
        little_words: word.unwrap_or(default.little_words),
        little_bytes: byte.unwrap_or(default.little_bytes),
    }
}

/// Hands over the points that are tables.
fn each_point(fields: &mut Fields<'_, '_, '_>, mut load: impl FnMut(Fields<'_, '_, '_>)) {
    let Some(value) = fields.raw("point") else {
        fields.fault(0, "there are no points", "add at least one [[point]]");
        return;
    };
    let Some(items) = value.get_ref().as_array() else {
        fields.fault(value.span().start, "point is not a list", "write [[point]] above each point");
        return;
    };
    if items.is_empty() {
        fields.fault(value.span().start, "there are no points", "add at least one [[point]]");
    }
    for item in items {
        let offset = item.span().start;
        match item.get_ref() {
            DeValue::Table(table) => {
                load(Fields::new(table, offset, fields.faults));
            }
            other => {
                let found = other.type_str();
                fields.fault(
                    offset,
                    format!("a point is {found}, not a table"),
                    "write [[point]] and its keys below",
                );
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(body: &str) -> String {
        format!("title = \"t\"\n[[point]]\n{body}\n")
    }

    /// The only fault of a profile with this point, and its line.
    fn fault(body: &str) -> (usize, String) {
        let errors = load("mine.toml", &point(body)).unwrap_err().0;
        assert_eq!(errors.len(), 1, "{errors:?}");
        (errors[0].line, errors[0].to_string())
    }

    const VOLTAGE: &str = "quantity = \"load_voltage\"\ntable = \"holding\"\naddress = 0\n";

    #[test]
    fn every_fault_names_file_line_point_and_remedy() {
        let (_, shown) = fault(&format!("{VOLTAGE}type = \"f32\"\nunit = \"kV\""));
        assert_eq!(
            shown,
            "mine.toml:7: load_voltage of position 1: unit 'kV' does not fit load_voltage; \
             multiply scale by 1000 and write unit = \"V\""
        );
    }

    #[test]
    fn each_way_to_be_wrong_is_told_at_its_line() {
        let register = |rest: &str| format!("{VOLTAGE}unit = \"V\"\n{rest}");
        let flag = |rest: &str| format!("quantity = \"blocked\"\n{rest}");
        let counter =
            |rest: &str| format!("quantity = \"operations\"\ntable = \"input\"\naddress = 1\n{rest}");
        let tap = |rest: &str| format!("quantity = \"tap\"\ntable = \"input\"\n{rest}");
        for (body, line, words) in [
            (register("type = \"f23\""), 7, "did you mean 'f32'?"),
            (register("type = \"bit\""), 7, "which holds registers"),
            (register("type = \"bits\"\nmask = 0"), 8, "selects no bit"),
            (register("type = \"bits\"\nmask = 0x10001"), 8, "out of range"),
            (register("type = \"bits\"\nmask = 0x0101"), 8, "has holes"),
            (register("type = \"bits\""), 3, "'mask' is missing"),
            (register("type = \"u16\"\nmask = 1"), 8, "no meaning for type u16"),
            (register("type = \"u16\"\nword_order = \"little\""), 8, "word_order has no meaning"),
            (register("type = \"u16\"\nvalid = [160, 80]"), 8, "reversed"),
            (register("type = \"u16\"\nvalid = 80"), 8, "not a pair"),
            (register("type = \"u16\"\nscale = 0"), 8, "scale = 0"),
            (register("type = \"u16\"\nscale = \"1\""), 8, "not a number"),
            (register("type = \"u16\"\nscael = 1"), 8, "did you mean 'scale'?"),
            (register("type = \"u16\"\nnot_available = 70000"), 8, "not a raw value of 16 bits"),
            (register("type = \"u16\"\nyes_when = 1"), 8, "yes_when has no meaning"),
            (register("type = \"u16\"\nrollover = 100"), 8, "belongs to operations only"),
            (register("type = \"u16\"\nposition = 4"), 8, "use 1 to 3"),
            (format!("{VOLTAGE}type = \"f32\""), 3, "'unit' is missing"),
            (tap("address = 70000\ntype = \"i16\""), 5, "use 0 to 65535"),
            (tap("address = 65535\ntype = \"i32\""), 5, "runs past address 65535"),
            (tap("address = -1\ntype = \"i16\""), 5, "out of range"),
            (tap("address = 1\ntype = \"i16\"\nunit = \"V\""), 7, "has no unit"),
            (tap("type = \"i16\""), 3, "'address' is missing"),
            (counter("type = \"i16\""), 6, "never negative"),
            (counter("type = \"u16\"\nscale = 10"), 7, "taken as it stands"),
            (counter("type = \"u16\"\nrollover = 100000"), 7, "more than the type can hold"),
            (counter("type = \"f32\""), 6, "add rollover"),
            (flag("table = \"coil\"\naddress = 1\ntype = \"bit\"\nscale = 2"), 7, "yes or no"),
            (flag("table = \"coil\"\naddress = 1\ntype = \"u16\""), 6, "holds single bits"),
            (flag("table = \"holding\"\naddress = 1\ntype = \"f32\""), 6, "cannot be a float"),
            (flag("table = \"coils\"\naddress = 1\ntype = \"bit\""), 4, "did you mean 'coil'?"),
            (
                "quantity = \"load_volts\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"".into(),
                3,
                "did you mean 'load_voltage'?",
            ),
        ] {
            let (found, shown) = fault(&body);
            assert!(shown.contains(words), "{shown}\nlacks: {words}");
            let at = if shown.contains("missing") { 2 } else { line };
            assert_eq!(found, at, "{shown}");
        }
    }

    #[test]
    fn all_faults_are_told_at_once_in_the_order_of_lines() {
        let text = "titel = \"x\"\ngap = 999\n[[point]]\nquantity = \"tap\"\ntable = \"input\"\naddress = 1\ntype = \"u17\"\n\
                    [[point]]\nquantity = \"tap\"\nposition = 9\ntable = \"input\"\naddress = 99999\ntype = \"u16\"\n";
        let errors = load("f", text).unwrap_err().0;
        let lines: Vec<_> = errors.iter().map(|e| e.line).collect();
        assert_eq!(lines, [1, 1, 2, 7, 10, 12], "{errors:#?}");
    }

    #[test]
    fn a_quantity_mapped_twice_is_told_with_both_lines() {
        let one = "[[point]]\nquantity = \"tap\"\ntable = \"input\"\naddress = 1\ntype = \"i16\"\n";
        let shown = load("f", &format!("title = \"t\"\n{one}{one}")).unwrap_err().to_string();
        assert_eq!(
            shown,
            "f:7: tap of position 1: is mapped twice: first at line 2; remove one, or give another position or quantity"
        );
    }

    #[test]
    fn broken_toml_and_empty_files_are_told() {
        let shown = load("f", "title = \"t\"\npoint = [\n").unwrap_err().to_string();
        assert!(shown.starts_with("f:"), "{shown}");
        assert!(load("f", "title = \"t\"").unwrap_err().to_string().contains("no points"));
        assert!(load("f", "title = \"t\"\npoint = 3").unwrap_err().to_string().contains("not a list"));
        assert!(load("f", "title = \"t\"\npoint = [3]").unwrap_err().to_string().contains("not a table"));
    }

    #[test]
    fn a_value_wider_than_the_largest_request_is_refused() {
        let text = format!("max_registers = 1\n{}", point(&format!("{VOLTAGE}unit = \"V\"\ntype = \"f32\"")));
        assert!(load("f", &text).unwrap_err().to_string().contains("raise max_registers"));
    }

    #[test]
    fn counters_roll_over_by_type_unless_told_otherwise() {
        for (rest, modulus) in [
            ("type = \"u16\"", 65_536),
            ("type = \"u32\"", 4_294_967_296),
            ("type = \"u32\"\nrollover = 1000000", 1_000_000),
            ("type = \"bits\"\nmask = 0x0FFF", 4096),
        ] {
            let body = format!("quantity = \"operations\"\ntable = \"input\"\naddress = 1\n{rest}");
            assert_eq!(load("f", &point(&body)).unwrap().counter_modulus(1), Some(modulus));
        }
    }

    #[test]
    fn the_files_word_order_is_the_default_of_its_points() {
        let body = "quantity = \"tap\"\ntable = \"input\"\naddress = 1\ntype = \"i32\"";
        let text = format!("word_order = \"little\"\nbyte_order = \"little\"\n{}", point(body));
        let profile = load("f", &text).unwrap();
        assert_eq!(profile.points[0].order, Order { little_words: true, little_bytes: true });
        let text = format!("word_order = \"little\"\n{}", point(&format!("{body}\nword_order = \"big\"")));
        assert_eq!(load("f", &text).unwrap().points[0].order, Order::default());
    }
}
