//! From what was computed to what the page shows.

use chrono_tz::Tz;
use regulator::study::setting::{CHOICES, SETTINGS};
use regulator::study::{
    Cell, Column, FIGURES, Figure, Measure, Origin, Outcome, SourceVoltage, Tried, VoltageHistogram,
};
use regulator::{Nameplate, Timestamp};
use web::{
    board::{number, tap_text},
    duration,
    site::{Strip, Values},
    study::{Answer, Chart, Map, MapCell, Row},
    words,
};

use super::{
    asked::{self, Asked, SLOTS, Typed},
    compute::{COLUMNS, Done},
    downstream,
};

/// What is needed beside the computed.
#[derive(Debug)]
pub(super) struct Context<'a> {
    pub(super) whose: String,
    pub(super) site: i32,
    pub(super) nameplate: &'a Nameplate,
    pub(super) zone: Tz,
    pub(super) typed: &'a Typed,
    pub(super) asked: &'a Asked,
    /// The regulator is connected from line to line.
    pub(super) between_lines: bool,
    /// Where the readings were cut, if there were too many.
    pub(super) cut: Option<Timestamp>,
    pub(super) public_url: &'a str,
}

/// The result as the page shows it.
pub(super) fn answer(context: &Context<'_>, done: &Done) -> Answer {
    let mut doubts = done.doubts.clone();
    if let Some(at) = context.cut {
        let text = format!(
            "The span has more readings than a study takes; it was cut at {}. Ask for a shorter span to see the rest.",
            clock(at, context.zone)
        );
        doubts.insert(0, text);
    }
    Answer {
        whose: context.whose.clone(),
        site: context.site,
        trust: done.trust.word(),
        trust_words: done.trust.words(),
        error: error(done),
        doubts,
        origins: origins(done),
        columns: names(done, true),
        settings: settings(done),
        figures: FIGURES.iter().map(|figure| row(figure, done)).collect(),
        downstream: downstream::shown(&done.downstream),
        charts: charts(context, done),
        map: map(context, done),
        assumptions: assumptions(context, done),
        link: format!("{}{}", context.public_url.trim_end_matches('/'), own_address(context)),
        cost: format!(
            "{} readings, replayed {} times.",
            count(done.coverage.readings),
            count(4 * (1 + done.tried.len() as u64) + 400)
        ),
    }
}

fn count(n: u64) -> String {
    words::count(i64::try_from(n).unwrap_or(i64::MAX))
}

/// What was recorded, the present settings (in a table of results also replayed), and those tried.
fn names(done: &Done, replayed: bool) -> Vec<String> {
    let mut names = vec!["Recorded".to_owned()];
    if replayed {
        names.push("Present, replayed".to_owned());
    }
    names.extend(done.tried.iter().map(|(slot, _)| slot_title(slot)));
    names
}

pub(super) fn slot_title(slot: &str) -> String {
    if slot == SLOTS[0] { "Present".to_owned() } else { format!("Try {}", slot.to_uppercase()) }
}

fn error(done: &Done) -> Vec<(&'static str, String)> {
    let e = &done.comparison.error;
    let percent =
        |share: Option<f64>| share.map_or("cannot tell: none".to_owned(), |s| number(100.0 * s, 0, "%"));
    vec![
        ("Operations predicted", count(e.predicted)),
        ("Operations recorded", count(e.recorded)),
        (
            "Recorded ones that were predicted",
            format!("{} (within {})", percent(e.matched_share()), duration::text(e.within_s)),
        ),
        ("Predicted ones that were recorded", percent(e.true_share())),
        ("Time at another tap", percent(e.apart_share())),
    ]
}

fn origins(done: &Done) -> Vec<String> {
    let say = |(name, origin): &(&'static str, Origin)| {
        let setting = SETTINGS.iter().find(|s| s.name == *name)?;
        let (title, value) = (setting.title, words::plain(setting.get(&done.present)?));
        let unit = setting.unit;
        Some(match origin {
            Origin::Reported | Origin::Nameplate => return None,
            Origin::Assumed => format!("The {title} is not reported: {value} {unit} is taken."),
            Origin::Unusable { value: told } => {
                format!("The {title} is reported as {told}, which no study accepts: {value} {unit} is taken.")
            }
            Origin::Changed { share } => format!(
                "The {title} changed within the span: {value} {unit} is taken, as {:.0} % of the readings have it. A span without changes gives a better study.",
                100.0 * share
            ),
        })
    };
    done.in_force.origins.iter().filter_map(say).collect()
}

fn settings(done: &Done) -> Vec<Row> {
    let all = || std::iter::once(&done.present).chain(done.tried.iter().map(|(_, s)| s));
    let plain = |text: String| (text, String::new());
    let row = |title: String, cells: Vec<String>| {
        let first = plain(String::new());
        Row { title, cells: std::iter::once(first).chain(cells.into_iter().map(plain)).collect() }
    };
    let numbers = SETTINGS.iter().filter(|s| all().any(|of| s.get(of).is_some())).map(|s| {
        let say = |value: Option<f64>| value.map_or("–".to_owned(), words::plain);
        row(form_title(s.title, s.unit), all().map(|of| say(s.get(of))).collect())
    });
    let choices =
        CHOICES.iter().map(|c| row(capital(c.title), all().map(|of| c.words(of).to_owned()).collect()));
    numbers.chain(choices).collect()
}

pub(super) fn form_title(title: &str, unit: &str) -> String {
    if unit.is_empty() { capital(title) } else { format!("{}, {unit}", capital(title)) }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn row(figure: &Figure, done: &Done) -> Row {
    let comparison = &done.comparison;
    let recorded = cell(figure, &comparison.recorded, None);
    let runs = std::iter::once(&comparison.present).chain(&comparison.tried);
    let cells = std::iter::once(recorded).chain(runs.map(|t| cell(figure, &t.outcome, Some(t)))).collect();
    let title = match figure.measure {
        Measure::Volts => format!("{}, V", figure.title),
        _ => figure.title.to_owned(),
    };
    Row { title, cells }
}

/// The number, and beneath it its share of the time or its spread over the loads.
pub(super) fn cell(figure: &Figure, outcome: &Outcome, spread: Option<&Tried>) -> (String, String) {
    let Some(value) = figure.value(outcome) else { return ("– cannot tell".to_owned(), String::new()) };
    let spread = spread
        .and_then(|tried| tried.spread(figure))
        .map(|(low, high)| (said(figure, low), said(figure, high)));
    let mut detail = match spread {
        Some((low, high)) if low != high => format!("({low} to {high})"),
        _ => String::new(),
    };
    if figure.measure == Measure::Seconds && outcome.covered_s > 0.0 {
        let share = number(100.0 * value / outcome.covered_s, 1, "%");
        detail = format!("{share} {detail}").trim_end().to_owned();
    }
    (said(figure, value), detail)
}

fn said(figure: &Figure, value: f64) -> String {
    match figure.measure {
        #[expect(clippy::cast_possible_truncation, reason = "a count")]
        Measure::Count => words::count(value as i64),
        Measure::Tap => tap_text(value),
        Measure::Seconds => number(value / 3600.0, 2, "h"),
        Measure::ADay | Measure::Volts | Measure::Wear => number(value, 1, ""),
    }
}

fn clock(at: Timestamp, zone: Tz) -> String {
    at.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S").to_string()
}

fn charts(context: &Context<'_>, done: &Done) -> Vec<Chart> {
    let recorded = &done.outlines[0];
    let compared: Vec<(String, &[Option<Column>])> = if done.tried.is_empty() {
        vec![("Present, replayed".to_owned(), &done.outlines[1][..])]
    } else {
        done.tried.iter().zip(&done.outlines[2..]).map(|((slot, _), o)| (slot_title(slot), &o[..])).collect()
    };
    let mut charts: Vec<Chart> =
        compared.iter().map(|(name, outline)| against(context, done, recorded, name, outline)).collect();
    charts.push(distribution(done));
    charts
}

fn against(
    context: &Context<'_>,
    done: &Done,
    recorded: &[Option<Column>],
    name: &str,
    outline: &[Option<Column>],
) -> Chart {
    let names = vec!["Recorded".to_owned(), name.to_owned()];
    let (from, to) = (clock(context.asked.from, context.zone), clock(context.asked.to, context.zone));
    let base = context.nameplate.voltage_base_v;
    let forward = &done.present.forward;
    let half = 0.5 * forward.bandwidth_v;
    let voltage = |c: &Column| c.voltage_v;
    let tap = |c: &Column| (f64::from(c.tap.0), f64::from(c.tap.1));
    let lines = |of: &dyn Fn(&Column) -> (f64, f64)| [recorded, outline].map(|o| points(o, of)).to_vec();
    let volts = Strip::draw(
        "Load voltage, V, with the present band and C84.1 range A",
        &Values {
            names: &names,
            lines: &lines(&voltage),
            limits: &[0.95 * base, 1.05 * base],
            band: Some((forward.set_voltage_v - half, forward.set_voltage_v + half)),
            steps: false,
            decimals: 1,
        },
        &from,
        &to,
    );
    let taps =
        Values { names: &names, lines: &lines(&tap), limits: &[], band: None, steps: true, decimals: 0 };
    let taps = Strip::draw("Tap", &taps, &from, &to);
    Chart {
        title: format!("Recorded against {}", name.replacen("Present", "present", 1)),
        names,
        strips: vec![volts, taps],
    }
}

/// Each column from its lowest to its highest value.
fn points(outline: &[Option<Column>], of: &dyn Fn(&Column) -> (f64, f64)) -> Vec<(f64, Option<f64>)> {
    let mut points = Vec::with_capacity(2 * outline.len());
    for (place, column) in outline.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred columns")]
        let at = (place as f64 + 0.5) / COLUMNS as f64;
        match column {
            None => points.push((at, None)),
            Some(column) => {
                let (low, high) = of(column);
                points.push((at, Some(low)));
                if high > low {
                    points.push((at, Some(high)));
                }
            }
        }
    }
    points
}

/// Width of a bar of the distribution, in bins of the histogram (0.1 V each).
const BINS: usize = 2;

fn distribution(done: &Done) -> Chart {
    let comparison = &done.comparison;
    let mut names = names(done, done.tried.is_empty());
    names.truncate(4);
    let replayed =
        std::iter::once(&comparison.present).filter(|_| done.tried.is_empty()).chain(&comparison.tried);
    let outcomes: Vec<&Outcome> =
        std::iter::once(&comparison.recorded).chain(replayed.map(|t| &t.outcome)).collect();
    let extremes = outcomes.iter().filter_map(|o| o.voltage.extremes_v());
    let (low, high) =
        extremes.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (a, b)| (l.min(a), h.max(b)));
    let (low, high) = ((low - 0.5).floor().max(90.0), (high + 0.5).ceil().min(150.0));
    let lines: Vec<_> = outcomes.iter().map(|o| shares(&o.voltage, low, high)).collect();
    let values = Values { names: &names, lines: &lines, limits: &[], band: None, steps: true, decimals: 1 };
    let title = "Share of the time, %, by load voltage in steps of 0.2 V";
    let strip = Strip::draw(title, &values, &number(low, 0, "V"), &number(high, 0, "V"));
    Chart { title: "Distribution of the load voltage".to_owned(), names, strips: vec![strip] }
}

fn shares(histogram: &VoltageHistogram, low: f64, high: f64) -> Vec<(f64, Option<f64>)> {
    let total = histogram.total_s().max(1e-9);
    let bins: Vec<(f64, f64)> = histogram.bins().map(|(edge, s)| (edge, *s)).collect();
    bins.chunks(BINS)
        .filter(|bars| bars[0].0 >= low - 0.2 && bars[0].0 <= high)
        .map(|bars| {
            let at = ((bars[0].0 - low) / (high - low).max(1.0)).clamp(0.0, 1.0);
            (at, Some(100.0 * bars.iter().map(|(_, s)| s).sum::<f64>() / total))
        })
        .collect()
}

/// A figure of the map: name in the address, word, heading, value, decimals.
type Shown = (&'static str, &'static str, &'static str, fn(&Cell, f64) -> f64, usize);

/// The figures that the map can show; seconds as a share of the time covered, %.
#[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
const SHOWN: [Shown; 5] = [
    ("operations", "Operations", "Operations", |c, _| c.operations as f64, 0),
    ("undone", "Undone", "Operations undone within 5 min", |c, _| c.undone as f64, 0),
    ("band", "Out of band", "Time out of the cell's own band, %", |c, s| 100.0 * c.out_of_band_s / s, 1),
    (
        "range_a",
        "Outside range A",
        "Time outside C84.1 range A, %",
        |c, s| 100.0 * c.outside_range_a_s / s,
        1,
    ),
    (
        "wear",
        "Wear",
        "Wear with exponent 1.6, operations at rated CT primary current",
        |c, _| c.wear.usual,
        1,
    ),
];

fn map(context: &Context<'_>, done: &Done) -> Map {
    let wanted = asked::text(context.typed, "map");
    let (name, _, what, value, decimals) = *SHOWN.iter().find(|s| s.0 == wanted).unwrap_or(&SHOWN[0]);
    let covered_s = done.comparison.recorded.covered_s.max(1e-9);
    let value = |cell: &Cell| value(cell, covered_s);
    let all = done.map.iter().flatten().map(value);
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    // By the square root, so that few among many are told apart too.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 4")]
    let shade = |v: f64| if high > low { (((v - low) / (high - low)).sqrt() * 4.999) as u8 } else { 0 };
    let present = (done.present.forward.bandwidth_v, done.present.forward.delay_s);
    let draw = |cell: &Cell| MapCell {
        text: number(value(cell), decimals, ""),
        href: cell_address(context, cell, name),
        shade: shade(value(cell)),
        here: (cell.bandwidth_v, cell.delay_s) == present,
    };
    let first = done.map.first();
    Map {
        what: what.to_owned(),
        others: SHOWN.iter().map(|s| (with(context, "map", s.0) + "#map", s.1, s.0 == name)).collect(),
        delays: first.iter().flat_map(|row| row.iter()).map(|c| words::plain(c.delay_s)).collect(),
        rows: done
            .map
            .iter()
            .map(|row| (words::plain(row[0].bandwidth_v), row.iter().map(draw).collect()))
            .collect(),
    }
}

/// The fields of this study in their order, the span as it was understood.
fn own_fields(context: &Context<'_>) -> Vec<(String, String)> {
    let local = |at: Timestamp| at.format("%Y-%m-%dT%H:%M:%SZ").to_string();
    let mut fields = vec![
        ("regulator".to_owned(), asked::text(context.typed, "regulator").to_owned()),
        ("from".to_owned(), local(context.asked.from)),
        ("to".to_owned(), local(context.asked.to)),
    ];
    let rest = ["load", "source", "power_factor", "map"].into_iter().map(str::to_owned);
    for name in rest.chain(SLOTS.iter().flat_map(|slot| asked::fields(slot))) {
        let value = asked::text(context.typed, &name).to_owned();
        fields.push((name, value));
    }
    fields
}

fn pairs(fields: &[(String, String)]) -> impl Iterator<Item = (&str, &str)> {
    fields.iter().map(|(name, value)| (name.as_str(), value.as_str()))
}

fn own_address(context: &Context<'_>) -> String {
    asked::address(pairs(&own_fields(context)))
}

fn with(context: &Context<'_>, name: &str, value: &str) -> String {
    let fields = own_fields(context);
    let changed = pairs(&fields).map(|(n, v)| (n, if n == name { value } else { v }));
    asked::address(changed)
}

/// The study with one cell's settings to try, and no others.
fn cell_address(context: &Context<'_>, cell: &Cell, map: &str) -> String {
    let (bandwidth, delay) = (words::plain(cell.bandwidth_v), words::plain(cell.delay_s));
    let fields = own_fields(context);
    let tried = |name: &str| SLOTS[1..].iter().any(|slot| name.starts_with(&format!("{slot}_")));
    let kept = pairs(&fields).filter(|(name, _)| !tried(name) && *name != "map");
    let own = [("map", map), ("a_bandwidth", bandwidth.as_str()), ("a_delay", delay.as_str())];
    asked::address(kept.chain(own)) + "#result"
}

fn assumptions(context: &Context<'_>, done: &Done) -> Vec<String> {
    let source = match context.asked.source {
        SourceVoltage::Rebuilt => {
            "rebuilt from load voltage and recorded tap (measured where one of them is missing)"
        }
        SourceVoltage::Measured => "as measured; readings without it are left out",
    };
    let power = match context.asked.power_factor {
        Some(factor) => format!("a lagging power factor of {}", words::plain(factor)),
        None => "nothing: such a current counts as not known".to_owned(),
    };
    let primary_a = context.nameplate.ct_ratio * regulator::taps::CT_SECONDARY_A;
    // Only what needs a current is touched by it.
    let delta = if context.between_lines {
        " Connected between lines: the 30° between its voltage and the line current are taken to be allowed for in what the control reports."
    } else {
        ""
    };
    vec![
        format!("Source voltage: {source}. It is taken not to notice the tap."),
        format!(
            "Load: its power goes with its voltage to the power {} (0 constant power, 1 constant current, 2 constant impedance). The brackets in the \
             table show how much that matters.",
            words::plain(context.asked.load_exponent)
        ),
        format!("Where a reading has a current but no powers: {power}."),
        format!("Current transformer: {} A primary (its ratio times 0.2 A), the base of compensator settings and wear.{delta}", number(primary_a, 0, "")),
        format!(
            "Gaps: a reading that comes more than {} after the last ends one. {} gaps, {} in all, are in no figure.",
            duration::text(done.gap_s),
            done.gaps,
            number(done.skipped_s / 3600.0, 1, "h")
        ),
        "Between readings the last one holds; a sequence of taps that has begun runs on.".to_owned(),
        "The regulator's own impedance is left out; so is what its taps would have changed for others: capacitors, inverters and other regulators act as they did."
            .to_owned(),
        "How the control keeps time, what it does in reverse and whether its band widens is not reported: the common way is taken unless set above.".to_owned(),
        "C84.1 service voltage: range A 114 to 126 V, range B 110 to 127 V on a 120 V base, judged at the regulator, not at the customer. The edition in force decides."
            .to_owned(),
        "Costs: operations, and wear as operations at rated CT primary current by three published laws of erosion. Good for comparing settings; no life in years, no money."
            .to_owned(),
    ]
}
