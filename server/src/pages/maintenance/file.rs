//! The ranking, and a month, as files.

use regulator::wear::{CannotTell, Outlook, Past};
use web::maintenance::{Life, MonthLine, Row};

use crate::pages::csv::{Csv, decimal, plain};

const HEADS: [&str; 25] = [
    "regulator_id",
    "place",
    "regulator",
    "life_used_low_percent",
    "life_used_likely_percent",
    "life_used_high_percent",
    "worst_part",
    "past",
    "operations_without_place",
    "end_earliest",
    "end_likely",
    "end_latest",
    "end_note",
    "operations_30_d",
    "operations_per_day",
    "operation_counter",
    "tap",
    "on_tap_days_at_least",
    "side",
    "on_side_days_at_least",
    "last_neutral_utc",
    "exercise_due",
    "suspects",
    "main_cause",
    "main_cause_share_percent",
];

/// The first columns say of whom a line is.
const WHOSE: usize = 3;

/// One line a regulator, in the order given.
pub(super) fn of(rows: &[Row]) -> Csv {
    let mut csv = Csv::new(HEADS);
    for row in rows {
        csv.line(line(row));
    }
    csv
}

const OF_MONTH: [&str; 7] = [
    "operations_month",
    "operations_month_before",
    "days_read",
    "worn_month_percent",
    "main_cause_month",
    "main_cause_month_share_percent",
    "alarms_raised",
];

/// One line a regulator, in the order given: its month, then how it stands when the file is made.
pub(super) fn of_month(lines: &[MonthLine]) -> Csv {
    let (whose, now) = HEADS.split_at(WHOSE);
    let mut csv = Csv::new([whose, &OF_MONTH, now].concat());
    for of_one in lines {
        let mut fields = line(&of_one.row);
        let now = fields.split_off(WHOSE);
        let main = of_one.shares.main().and_then(|cause| Some((cause, of_one.shares.share(cause)?)));
        fields.extend([
            plain(of_one.operations),
            plain(of_one.before),
            of_one.days.to_string(),
            decimal(of_one.worn.map(|share| 100.0 * share), 4),
            main.map_or("", |(cause, _)| cause.name()).to_owned(),
            decimal(main.map(|(_, share)| 100.0 * share), 1),
            of_one.alarms.join("; "),
        ]);
        fields.extend(now);
        csv.line(fields);
    }
    csv
}

fn line(row: &Row) -> Vec<String> {
    let percent = |share: f64| decimal(Some(100.0 * share), 2);
    let mut fields = vec![row.id.to_string(), row.above.clone(), row.name.clone()];
    fields.extend(match &row.life {
        Life::Used(part, used, past) => {
            let past = match past {
                Past::Counted(n) => format!("{n} operations by the counter"),
                Past::Unknown => "not known".to_owned(),
                Past::Renewed(_) => "contacts renewed".to_owned(),
            };
            [percent(used.low), percent(used.likely), percent(used.high), part.title(), past]
        }
        Life::Cannot(why) => [
            String::new(),
            String::new(),
            String::new(),
            String::new(),
            web::maintenance::words::no_account(*why).to_owned(),
        ],
        Life::NotAnalysed => {
            [String::new(), String::new(), String::new(), String::new(), "not analysed".to_owned()]
        }
    });
    fields.push(row.unplaced.to_string());
    fields.extend(end(row));
    let dwell = row.dwell.as_ref();
    let side = dwell.map(|d| d.stay.side()).filter(|side| *side != 0);
    fields.extend([
        plain(row.operations),
        decimal(row.per_day, 2),
        plain(row.counter),
        plain(dwell.and_then(|d| d.stay.tap())),
        decimal(dwell.and_then(web::dwell::Dwell::tap_days), 1),
        side.map_or("", |side| if side > 0 { "raise" } else { "lower" }).to_owned(),
        decimal(dwell.and_then(web::dwell::Dwell::side_days), 1),
        dwell
            .and_then(|d| d.neutral_at)
            .map_or_else(String::new, |at| at.format("%Y-%m-%dT%H:%M:%SZ").to_string()),
        dwell.and_then(web::dwell::Dwell::due).unwrap_or_default().to_owned(),
        row.suspects.iter().map(|(_, title)| *title).collect::<Vec<_>>().join("; "),
        row.main.map_or("", |(cause, _)| cause.name()).to_owned(),
        decimal(row.main.map(|(_, share)| 100.0 * share), 1),
    ]);
    fields
}

fn end(row: &Row) -> [String; 4] {
    let note = |text: &str| [String::new(), String::new(), String::new(), text.to_owned()];
    let day = |at: Option<regulator::Timestamp>| {
        at.map_or_else(String::new, |at| at.format("%Y-%m-%d").to_string())
    };
    match row.outlook {
        None => note("cannot tell"),
        Some(Outlook::Reached) => note("reached"),
        Some(Outlook::CannotTell(CannotTell::Unusable)) => note("cannot tell"),
        Some(Outlook::CannotTell(CannotTell::TooShort { days, needed })) => {
            note(&format!("cannot tell: {days} of {needed} days of history"))
        }
        Some(Outlook::End { earliest, likely, latest, .. }) => {
            [day(earliest), day(likely), day(latest), "empty where beyond 50 years".to_owned()]
        }
    }
}
