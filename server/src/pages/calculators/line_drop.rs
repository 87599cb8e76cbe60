//! The line-drop compensator: settings of a line, the line of settings, and what the relay sees.

use regulator::compensator::{
    Aim, Compensator, Flow, Impedance, Instruments, LengthUnit, Rounding, Section,
    worked::{self, Case, LineCurrent},
};
use regulator::control::{ControlSettings, Regulation};
use web::{board, calculators::Worked};

use super::{
    Kind,
    field::{Field, Read, steps},
};

const LENGTHS: &[(&str, &str)] = &[("mi", "miles"), ("kft", "thousand feet"), ("km", "kilometres")];
const PT: Field = Field::number("pt", "PT ratio, to 1", "", (0.01, 10_000.0));
const CT_PRIMARY: Field = Field::number("ct", "CT primary", "A", (0.01, 100_000.0));
const CT_SECONDARY: Field = Field::number("ct_secondary", "CT secondary", "A", (0.01, 10.0)).or("0.2");
const OHMS: (f64, f64) = (-100.0, 100.0);
const VOLTS: (f64, f64) = (-50.0, 50.0);

/// What holds for all three.
const ONE_IMPEDANCE: &str = "The compensator models one impedance that carries the whole current. A line with load along it has none; its settings come from a load-flow study.";
const DELTA: &str =
    "Wye-connected units. Between lines the current is turned by 30°, which the control must allow for.";

pub(super) static SETTINGS: Kind = Kind {
    of: "settings",
    title: "Compensator settings of a line",
    about: "From conductor data to R′ and X′ in volts, and in ohms for a control that is set in them. After Kersting, Distribution System Modeling and \
            Analysis, chapter 7.",
    example: (
        "/calculators?of=settings&r=0.1&x=0.3&length=3&pt=20&ct=700&ct_secondary=5#settings",
        "Textbook example: 0.3 + j0.9 ohm in all, PT 20, CT 700 to 5",
    ),
    fields: &[
        Field::number("r", "Resistance", "ohm a length", OHMS),
        Field::number("x", "Reactance", "ohm a length", OHMS),
        Field::choice("per", "Ohms are a", LENGTHS),
        Field::number("length", "Length of the line", "", (0.0, 10_000.0)),
        Field::choice("unit", "Length is in", LENGTHS),
        PT,
        CT_PRIMARY,
        CT_SECONDARY,
    ],
    compute: settings,
};

pub(super) static LINE: Kind = Kind {
    of: "line",
    title: "Line of compensator settings",
    about: "The other way: the line impedance that settings stand for, to compare with the line that is there.",
    example: (
        "/calculators?of=line&r=10.5&x=31.5&pt=20&ct=700&ct_secondary=5#line",
        "Textbook example: R′ 10.5 V, X′ 31.5 V, PT 20, CT 700 to 5",
    ),
    fields: &[
        Field::number("r", "Setting R", "", VOLTS),
        Field::number("x", "Setting X", "", VOLTS),
        Field::choice("in", "Settings are in", &[("v", "volts"), ("ohm", "ohms")]),
        PT,
        CT_PRIMARY,
        CT_SECONDARY,
    ],
    compute: line,
};

pub(super) static RELAY: Kind = Kind {
    of: "relay",
    title: "Relay voltage and taps of a load",
    about: "What the control sees with a load, and the taps to its band: forward on the load side, in reverse on the source side, where the current \
            runs out of the source bushing.",
    example: (
        "/calculators?of=relay&r=10.5&x=31.5&pt=20&ct=700&ct_secondary=5&held=120.089&kva=2500&kv=4.16&pf=0.9&set=120&bandwidth=2&line_r=0.3&line_x=0.9#relay",
        "Textbook example: 2500 kVA at 4.16 kV, power factor 0.9",
    ),
    fields: &[
        Field::choice(
            "flow",
            "Power flows",
            &[("forward", "forward: source to load"), ("reverse", "in reverse: load to source")],
        ),
        Field::number("held", "Voltage of the held side", "V", (50.0, 200.0)),
        Field::number("r", "Compensator R", "V", VOLTS).or("0"),
        Field::number("x", "Compensator X", "V", VOLTS).or("0"),
        PT,
        CT_PRIMARY,
        CT_SECONDARY,
        Field::number("kva", "Load, three-phase", "kVA", (0.0, 1e6))
            .optional("With kV and power factor; or give amperes"),
        Field::number("kv", "Line-to-line voltage", "kV", (0.01, 1000.0)).optional(""),
        Field::number("pf", "Power factor", "", (-1.0, 1.0)).optional("Lagging positive, leading negative"),
        Field::number("amperes", "Line current", "A", (0.0, 100_000.0)).optional("Instead of the load"),
        Field::number("degrees", "Lagging by", "degrees", (-180.0, 180.0)).or("0"),
        Field::number("set", "Set voltage", "V", (50.0, 200.0)).or("120"),
        Field::number("bandwidth", "Bandwidth", "V", (0.1, 20.0)).or("2"),
        Field::choice("aim", "Taps to", &[("edge", "the band's edge"), ("centre", "the set voltage")]),
        Field::number("step", "A tap is worth", "V", (0.01, 10.0)).or("0.75"),
        Field::number("line_r", "Line resistance", "ohm", OHMS)
            .optional("For the load centre; may be left empty"),
        Field::number("line_x", "Line reactance", "ohm", OHMS).optional(""),
    ],
    compute: relay,
};

fn instruments(read: &mut Read<'_>) -> Result<Instruments, String> {
    let (pt, primary) = (read.positive("pt"), read.positive("ct"));
    let secondary = read.positive("ct_secondary");
    Instruments::new(pt, primary, secondary).map_err(|e| crate::error::sentence(&e))
}

fn length_unit(way: &str) -> LengthUnit {
    match way {
        "kft" => LengthUnit::ThousandFeet,
        "km" => LengthUnit::Kilometre,
        _ => LengthUnit::Mile,
    }
}

fn volts(value: f64) -> String {
    board::number(value, 2, "V")
}

fn settings(read: &mut Read<'_>) -> Result<Worked, String> {
    let section = Section {
        per_length: Impedance { resistance_ohm: read.number("r"), reactance_ohm: read.number("x") },
        per: length_unit(read.way("per")),
        length: read.number("length"),
        unit: length_unit(read.way("unit")),
    };
    let instruments = instruments(read)?;
    let (settings, worked) = worked::settings_of_line(&[section], &instruments);
    Ok(Worked {
        answers: vec![
            ("R′".to_owned(), volts(settings.resistance_v)),
            ("X′".to_owned(), volts(settings.reactance_v)),
        ],
        steps: steps(&worked),
        words: vec![ONE_IMPEDANCE.to_owned(), DELTA.to_owned()],
    })
}

fn line(read: &mut Read<'_>) -> Result<Worked, String> {
    let set = (read.number("r"), read.number("x"));
    let in_ohms = read.way("in") == "ohm";
    let instruments = instruments(read)?;
    let (settings, mut worked) = if in_ohms {
        let set = Impedance { resistance_ohm: set.0, reactance_ohm: set.1 };
        worked::settings_of_ohms(set, &instruments)
    } else {
        (Compensator { resistance_v: set.0, reactance_v: set.1 }, worked::Worked::default())
    };
    let (line, rest) = worked::line_of_settings(&settings, &instruments);
    worked.steps.extend(rest.steps);
    Ok(Worked {
        answers: vec![
            ("Resistance".to_owned(), board::number(line.resistance_ohm, 3, "ohm")),
            ("Reactance".to_owned(), board::number(line.reactance_ohm, 3, "ohm")),
        ],
        steps: steps(&worked),
        words: vec![ONE_IMPEDANCE.to_owned(), DELTA.to_owned()],
    })
}

fn relay(read: &mut Read<'_>) -> Result<Worked, String> {
    let flow = if read.way("flow") == "reverse" { Flow::Reverse } else { Flow::Forward };
    let held_side_v = read.number("held");
    let settings = Compensator { resistance_v: read.number("r"), reactance_v: read.number("x") };
    let instruments = instruments(read);
    let current = current(read);
    let regulation = Regulation {
        set_voltage_v: read.number("set"),
        bandwidth_v: read.number("bandwidth"),
        ..ControlSettings::common().forward
    };
    let aim = if read.way("aim") == "centre" { Aim::Centre } else { Aim::BandEdge };
    let step_v = read.positive("step");
    let line = match (read.maybe("line_r"), read.maybe("line_x")) {
        (None, None) => None,
        (r, x) => Some(Impedance { resistance_ohm: r.unwrap_or(0.0), reactance_ohm: x.unwrap_or(0.0) }),
    };
    let (current, before) = current?;
    let case = Case { instruments: instruments?, settings, flow, held_side_v, current, line };
    let (wanted, worked) = worked::taps(&case, aim, &regulation, step_v)
        .ok_or("There are no taps to these numbers; look at bandwidth and step.")?;
    let count = match wanted.whole(Rounding::Upwards) {
        0 => "none".to_owned(),
        taps => board::tap_text(taps.into()),
    };
    let relay_v = worked.value("Relay voltage").unwrap_or(held_side_v);
    let mut all = steps(&before);
    all.extend(steps(&worked));
    let mut words = vec![
        "The count takes each tap as worth the same and current and source voltage as they are; for a dozen taps it may be off by one.".to_owned(),
        ONE_IMPEDANCE.to_owned(),
        DELTA.to_owned(),
    ];
    if flow == Flow::Reverse {
        words.insert(
            0,
            "In reverse the source side is held: to raise it the control taps down. A control that keeps its forward settings, or forward direction, \
             drives the voltage the wrong way."
                .to_owned(),
        );
    }
    Ok(Worked {
        answers: vec![
            ("Relay voltage".to_owned(), volts(relay_v)),
            ("Taps, of the held side".to_owned(), count),
        ],
        steps: all,
        words,
    })
}

/// The current, given as such or by the load; and the steps to it.
fn current(read: &mut Read<'_>) -> Result<(LineCurrent, worked::Worked), String> {
    let (amperes, degrees) = (read.maybe("amperes"), read.number("degrees"));
    let load = (read.maybe("kva"), read.maybe("kv"), read.maybe("pf"));
    match (amperes, load) {
        (Some(amperes), (None, _, _)) => {
            Ok((LineCurrent { amperes, lagging_degrees: degrees }, worked::Worked::default()))
        }
        (None, (Some(kva), Some(kv), pf)) => worked::current_of_load(kva, kv, pf.unwrap_or(1.0))
            .ok_or_else(|| "The load makes no current; look at voltage and power factor.".to_owned()),
        (Some(_), (Some(_), _, _)) => {
            read.refuse("amperes", "Give either amperes or a load, not both.");
            Err(String::new())
        }
        (None, (Some(_), None, _)) => {
            read.refuse("kv", "The load's line-to-line voltage is needed with its kVA.");
            Err(String::new())
        }
        (None, (None, _, _)) => {
            read.refuse("kva", "Give a load in kVA with its kV, or the current in amperes.");
            Err(String::new())
        }
    }
}
