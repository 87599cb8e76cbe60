//! The answer as text for people.

use std::fmt::Write as _;

use regulator::control::ControlSettings;
use regulator::study::setting::{CHOICES, SETTINGS};
use regulator::study::{Cell, FIGURES, Figure, Measure, ModelError, Origin, Outcome, SourceVoltage};

use super::answer::Answer;

/// Adds a line.
macro_rules! line {
    ($text:expr) => { $text.push('\n') };
    ($text:expr, $($part:tt)*) => { writeln!($text, $($part)*).expect("a string takes everything") };
}

/// The whole report.
pub(super) fn text(answer: &Answer, file: &str) -> String {
    let mut text = String::new();
    head(&mut text, answer, file);
    trust(&mut text, answer);
    settings(&mut text, answer);
    results(&mut text, answer);
    assumptions(&mut text, answer);
    if let Some(map) = &answer.map {
        self::map(&mut text, map, &answer.present);
    }
    text
}

fn head(text: &mut String, answer: &Answer, file: &str) {
    let hours = answer.comparison.recorded.covered_s / 3600.0;
    line!(text, "Settings study of {file}");
    let form = "%Y-%m-%d %H:%M:%S";
    line!(
        text,
        "{} to {} UTC: {} readings, {hours:.1} h of them usable, {:.0} s apart",
        answer.from.format(form),
        answer.to.format(form),
        answer.coverage.readings,
        answer.interval_s
    );
    for note in &answer.notes {
        line!(text, "Note: {note}");
    }
}

fn trust(text: &mut String, answer: &Answer) {
    let error = &answer.comparison.error;
    line!(text);
    line!(text, "Model error: {}", answer.trust.word());
    line!(text, "  {}", said(error));
    line!(text, "  {}", answer.trust.words());
    for doubt in &answer.doubts {
        line!(text, "  - {doubt}");
    }
}

fn said(error: &ModelError) -> String {
    let percent = |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{:.0} %", 100.0 * s));
    format!(
        "{} operations predicted, {} recorded; {} of the recorded ones predicted within {:.0} s; at another tap {} of the time.",
        error.predicted,
        error.recorded,
        percent(error.matched_share()),
        error.within_s,
        percent(error.apart_share())
    )
}

fn settings(text: &mut String, answer: &Answer) {
    line!(text);
    row(text, "Settings", (0..=answer.tried.len()).map(heading));
    let all = || std::iter::once(&answer.present).chain(&answer.tried);
    for setting in SETTINGS {
        if all().any(|s| setting.get(s).is_some()) {
            let title = if setting.unit.is_empty() {
                setting.title.to_owned()
            } else {
                format!("{}, {}", setting.title, setting.unit)
            };
            row(text, &title, all().map(|s| setting.get(s).map_or("-".to_owned(), |v| v.to_string())));
        }
    }
    for choice in CHOICES {
        row(text, choice.title, all().map(|s| choice.get(s).to_owned()));
    }
}

fn heading(place: usize) -> String {
    if place == 0 { "present".to_owned() } else { format!("try {place}") }
}

/// A row of a table: a wide first column, then narrow ones.
fn row(text: &mut String, title: &str, cells: impl Iterator<Item = String>) {
    write!(text, "  {title:<32}").expect("a string takes everything");
    for cell in cells {
        write!(text, " {cell:>20}").expect("a string takes everything");
    }
    while text.ends_with(' ') {
        text.pop();
    }
    line!(text);
}

fn results(text: &mut String, answer: &Answer) {
    let comparison = &answer.comparison;
    line!(text);
    let heads = ["recorded".to_owned(), "present, replayed".to_owned()].into_iter();
    row(text, "Results", heads.chain((1..=answer.tried.len()).map(heading)));
    for figure in FIGURES {
        let recorded = one(figure, &comparison.recorded);
        let runs = std::iter::once(&comparison.present).chain(&comparison.tried);
        let runs = runs.map(|tried| {
            let value = one(figure, &tried.outcome);
            match tried.spread(figure).map(|(low, high)| (bare(figure, low), bare(figure, high))) {
                Some((low, high)) if low != high => format!("{value} ({low}..{high})"),
                _ => value,
            }
        });
        let title = match figure.measure {
            Measure::Seconds => format!("{}, h", figure.title),
            Measure::Volts => format!("{}, V", figure.title),
            _ => figure.title.to_owned(),
        };
        row(text, &title, std::iter::once(recorded).chain(runs));
    }
}

fn one(figure: &Figure, outcome: &Outcome) -> String {
    let Some(value) = figure.value(outcome) else { return "-".to_owned() };
    if figure.measure == Measure::Seconds && outcome.covered_s > 0.0 {
        return format!("{} = {:.1} %", bare(figure, value), 100.0 * value / outcome.covered_s);
    }
    bare(figure, value)
}

fn bare(figure: &Figure, value: f64) -> String {
    match figure.measure {
        Measure::Count => format!("{value:.0}"),
        Measure::Tap => format!("{value:+.0}"),
        Measure::Seconds => format!("{:.2}", value / 3600.0),
        Measure::ADay | Measure::Volts | Measure::Wear => format!("{value:.1}"),
    }
}

fn assumptions(text: &mut String, answer: &Answer) {
    line!(text);
    line!(text, "Assumed");
    let source = match answer.source {
        SourceVoltage::Rebuilt => {
            "rebuilt from load voltage and recorded tap (measured where one is missing)"
        }
        SourceVoltage::Measured => "measured",
    };
    line!(text, "  - Source voltage {source}; it does not notice the tap.");
    line!(
        text,
        "  - The load's power goes with its voltage to the power {}; in brackets: constant power, current and impedance, lowest to highest.",
        answer.model.load_exponent
    );
    line!(
        text,
        "  - A reading later than {:.0} s after the last ends a gap; gaps are in no figure.",
        answer.gap_s
    );
    line!(
        text,
        "  - Wear counts operations at rated CT primary current: good for comparing settings, no life in years."
    );
    for (name, origin) in &answer.in_force.origins {
        match origin {
            Origin::Assumed => line!(
                text,
                "  - Present {name} is not reported: the common value unless given with --present."
            ),
            Origin::Changed { share } => line!(
                text,
                "  - Present {name} changed within the file; {:.0} % of the readings have the one taken.",
                100.0 * share
            ),
            Origin::Unusable { value } => {
                line!(
                    text,
                    "  - Present {name} is reported as {value}, which no study accepts; the common one is taken."
                );
            }
            Origin::Reported | Origin::Nameplate => {}
        }
    }
    line!(text, "  - Capacitors, inverters and regulators elsewhere act as they did.");
    line!(text, "A study is evidence about settings, not permission to change them.");
}

fn map(text: &mut String, map: &[Vec<Cell>], present: &ControlSettings) {
    line!(text);
    line!(text, "Operations by bandwidth, V (down), and delay, s (across); the present settings in [ ]");
    let Some(first) = map.first() else { return };
    write!(text, "{:>6}", "").expect("a string takes everything");
    for cell in first {
        write!(text, "{:>7}", cell.delay_s).expect("a string takes everything");
    }
    line!(text);
    for cells in map {
        write!(text, "{:>6}", cells[0].bandwidth_v).expect("a string takes everything");
        for cell in cells {
            let here =
                cell.bandwidth_v == present.forward.bandwidth_v && cell.delay_s == present.forward.delay_s;
            let number = if here { format!("[{}]", cell.operations) } else { cell.operations.to_string() };
            write!(text, "{number:>7}").expect("a string takes everything");
        }
        line!(text);
    }
}
