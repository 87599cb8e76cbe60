//! Voltage unbalance of three phases, by both definitions.

use regulator::balance::{Basis, unbalance_of_bank};
use regulator::{Connection, Phase};
use web::{board, calculators::Worked};

use super::{
    Kind,
    field::{Field, Read},
};

const VOLTS: (f64, f64) = (0.1, 1e6);

pub(super) static UNBALANCE: Kind = Kind {
    of: "unbalance",
    title: "Voltage unbalance",
    about: "By NEMA MG 1 (largest deviation from the mean over the mean) and by IEC and CIGRE (negative over positive sequence); the two are not \
            interchangeable.",
    example: (
        "/calculators?of=unbalance&measured=ll&v1=460&v2=467&v3=450#unbalance",
        "Example: 460, 467 and 450 V: 1.96 % by MG 1",
    ),
    fields: &[
        Field::choice("measured", "Measured", &[("ll", "line to line"), ("ln", "line to neutral")]),
        Field::number("v1", "AB, or A", "V", VOLTS),
        Field::number("v2", "BC, or B", "V", VOLTS),
        Field::number("v3", "CA, or C", "V", VOLTS),
    ],
    compute: unbalance,
};

fn unbalance(read: &mut Read<'_>) -> Result<Worked, String> {
    let (connection, phases) = if read.way("measured") == "ln" {
        (Connection::Wye, [Phase::A, Phase::B, Phase::C])
    } else {
        (Connection::ClosedDelta, [Phase::AB, Phase::BC, Phase::CA])
    };
    let volts = ["v1", "v2", "v3"].map(|name| read.number(name));
    let voltages: Vec<_> = phases.into_iter().zip(volts).collect();
    let found = unbalance_of_bank(connection, &voltages).map_err(|e| format!("Cannot tell: {e}."))?;
    let mean = volts.iter().sum::<f64>() / 3.0;
    let mut worked = Worked::default();
    let percent = |value: f64| board::number(value, 2, "%");
    let mg1 = match found.basis {
        Basis::LineToLine => percent(found.mg1_percent),
        Basis::EstimatedFromLineToNeutral => {
            let (low, high) = found.range_percent;
            format!(
                "{} ({} to {} with angles within 1° of 120°)",
                percent(found.mg1_percent),
                percent(low),
                percent(high)
            )
        }
    };
    worked.answers.push(("MG 1".to_owned(), mg1));
    let cigre = found.cigre_percent.map_or("cannot tell: no triangle has such sides".to_owned(), percent);
    worked.answers.push(("Negative over positive sequence".to_owned(), cigre));
    if found.basis == Basis::LineToLine {
        let worst = volts.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max);
        let plain = |v: f64| board::number(v, 2, "");
        worked.steps.extend([
            (
                "Mean".to_owned(),
                volts.map(web::words::plain).join(" + ") + ", over 3",
                board::number(mean, 2, "V"),
            ),
            (
                "Largest deviation".to_owned(),
                "of the three from the mean".to_owned(),
                board::number(worst, 2, "V"),
            ),
            (
                "MG 1 unbalance".to_owned(),
                format!("100 x {} / {}", plain(worst), plain(mean)),
                percent(found.mg1_percent),
            ),
        ]);
    }
    worked.words.push(format!("Rests on {}. Metering errors are not in the range.", found.basis.words()));
    worked.words.push(
        "Limits in use: ANSI C84.1 recommends at most 3 % at no load; MG 1 derates motors from 1 %. Both from memory; the edition in force decides."
            .to_owned(),
    );
    Ok(worked)
}
