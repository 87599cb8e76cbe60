//! Taps and ratios: position and ratio, step volts, current permitted with a limited range.

use regulator::taps::{TapChanger, TapRange, rating};
use regulator::{Nameplate, WindingType};
use web::{board, calculators::Worked};

use super::{
    Kind,
    field::{Field, Read},
};

pub(super) static TAPS: Kind = Kind {
    of: "tap",
    title: "Taps, ratios and rated current",
    about: "Position to ratio and back for both constructions of IEEE C57.15, what a step is worth, and the current that a limited range permits.",
    example: (
        "/calculators?of=tap&winding=A&tap=7&source=118&kva=333&rated=7620&lowest=-8&highest=8#tap",
        "Example: type A, tap 7: ratio 1.04375",
    ),
    fields: &[
        Field::choice("winding", "Construction", &[("B", "type B (inverted)"), ("A", "type A (straight)")]),
        Field::number("steps", "Steps over ±10 %", "", (2.0, 200.0)).or("32"),
        Field::number("tap", "Tap", "", (-100.0, 100.0)).optional("Position to ratio"),
        Field::number("source", "Source voltage", "V", (0.1, 100_000.0))
            .optional("With the load voltage: ratio to position"),
        Field::number("load", "Load voltage", "V", (0.1, 100_000.0)).optional(""),
        Field::number("base", "Voltage base", "V", (50.0, 200.0)).or("120"),
        Field::number("lowest", "Lowest tap permitted", "", (-100.0, 100.0))
            .optional("A limited range permits more current"),
        Field::number("highest", "Highest tap permitted", "", (-100.0, 100.0)).optional(""),
        Field::number("kva", "Rated power", "kVA", (0.1, 100_000.0))
            .optional("With the rated voltage: the rated current"),
        Field::number("rated", "Rated voltage", "V", (1.0, 1e6)).optional("Primary"),
    ],
    compute: taps,
};

fn taps(read: &mut Read<'_>) -> Result<Worked, String> {
    let winding = if read.way("winding") == "A" { WindingType::A } else { WindingType::B };
    let count = read.whole("steps");
    let half = count / 2;
    let limit = |read: &mut Read<'_>, name: &str, or: i32| {
        if read.maybe(name).is_some() { read.whole(name) } else { or }
    };
    let mut nameplate = Nameplate {
        winding_type: winding,
        step_count: u32::try_from(count).unwrap_or(0),
        voltage_base_v: read.number("base"),
        tap_min: limit(read, "lowest", -half),
        tap_max: limit(read, "highest", half),
        ..Nameplate::common()
    };
    let mut worked = Worked::default();
    let range = match TapRange::of(&nameplate) {
        Ok(range) => range,
        Err(error) => {
            let name =
                if matches!(error, regulator::taps::RangeError::StepCount(_)) { "steps" } else { "lowest" };
            read.refuse(name, &crate::error::sentence(&error));
            return Err(String::new());
        }
    };
    step(&nameplate, &range, &mut worked);
    position(read, &nameplate, &range, &mut worked);
    current(read, &mut nameplate, &range, &mut worked);
    worked.words.push(
        "Left out: the unit's own impedance, which takes up to about a tap at full load, and metering errors. A nameplate that states other currents holds."
            .to_owned(),
    );
    Ok(worked)
}

fn add(worked: &mut Worked, what: &str, how: String, value: String) {
    worked.answers.push((what.to_owned(), value.clone()));
    worked.steps.push((what.to_owned(), how, value));
}

fn step(nameplate: &Nameplate, range: &TapRange, worked: &mut Worked) {
    let base = nameplate.voltage_base_v;
    let how = format!("20 % of {} V / {}", web::words::plain(base), nameplate.step_count);
    let value = format!(
        "{} ({})",
        board::number(nameplate.step_volts(), 3, "V"),
        board::number(range.step_percent(), 3, "%")
    );
    add(worked, "One step", how, value);
}

fn position(read: &mut Read<'_>, nameplate: &Nameplate, range: &TapRange, worked: &mut Worked) {
    let changer = TapChanger::of(nameplate);
    let s = web::words::plain(changer.step());
    let (source, load) = (read.maybe("source"), read.maybe("load"));
    if let Some(tap) = read.maybe("tap") {
        if read.whole("tap").abs() > nameplate.step_count.cast_signed() / 2 {
            let why = format!("The unit has {} steps either side of neutral.", nameplate.step_count / 2);
            read.refuse("tap", &why);
            return;
        }
        let n = web::words::plain(tap);
        let how = match nameplate.winding_type {
            WindingType::A => format!("1 + {s} x {n}"),
            WindingType::B => format!("1 / (1 - {s} x {n})"),
        };
        let ratio = changer.ratio(tap);
        add(worked, "Ratio, load over source", how, board::number(ratio, 5, ""));
        if let (Some(source), None) = (source, load) {
            let how = format!("{} V x {}", web::words::plain(source), board::number(ratio, 5, ""));
            add(worked, "Load voltage", how, board::number(source * ratio, 2, "V"));
        }
        let left = format!(
            "{} up, {} down",
            range.steps_left(read.whole("tap"), 1),
            range.steps_left(read.whole("tap"), -1)
        );
        add(
            worked,
            "Steps left",
            format!(
                "{} to {}",
                board::tap_text(range.lowest().into()),
                board::tap_text(range.highest().into())
            ),
            left,
        );
    }
    if let (Some(source), Some(load)) = (source, load)
        && let Some(tap) = changer.position(source, load)
    {
        let (vs, vl) = (web::words::plain(source), web::words::plain(load));
        let how = match nameplate.winding_type {
            WindingType::A => format!("({vl} / {vs} - 1) / {s}"),
            WindingType::B => format!("(1 - {vs} / {vl}) / {s}"),
        };
        add(worked, "Tap that the voltages imply", how, board::number(tap, 2, ""));
    }
}

fn current(read: &mut Read<'_>, nameplate: &mut Nameplate, range: &TapRange, worked: &mut Worked) {
    let (kva, rated) = (read.maybe("kva"), read.maybe("rated"));
    let (Some(kva), Some(rated)) = (kva, rated) else {
        if kva.is_some() {
            read.refuse("rated", "The rated voltage is needed with the rated power.");
        }
        return;
    };
    let Some(amperes) = rating::rated_current_a(kva, rated) else { return };
    (nameplate.kva, nameplate.rated_voltage_v, nameplate.rated_current_a) = (kva, rated, amperes);
    let how = format!("{} kVA / (10 % x {} V)", web::words::plain(kva), web::words::plain(rated));
    add(worked, "Rated current", how, board::number(amperes, 1, "A"));
    let percent = rating::supplementary_percent(range.reach_percent());
    let how = format!(
        "±{} %: {} % of rated, above it at most {} A",
        web::words::plain(range.reach_percent()),
        web::words::plain(percent),
        web::words::plain(rating::SUPPLEMENTARY_CAP_A)
    );
    let permitted = rating::permitted_current_a(nameplate);
    add(worked, "Current permitted with this range", how, board::number(permitted, 1, "A"));
    worked.words.push(
        "Supplementary ratings of IEEE C57.15 / IEC 60076-21, from memory; the nameplate decides.".to_owned(),
    );
}
