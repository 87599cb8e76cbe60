//! A backtest from the shell: the same as the page, without its bounds of time.

use std::{io::Write as _, sync::Arc};

use anyhow::{Context, Result, bail, ensure};
use chrono::NaiveDate;
use regulator::conditions::Condition;
use server::backtest::{self, Ask, Bounds, Part, Progress, Report};
use sqlx::{PgPool, postgres::PgPoolOptions};

#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// PostgreSQL 15 or newer, with the schema in place.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: String,
    /// Name of the condition, as in the addresses of the page Thresholds: voltage_range_a.
    #[arg(long)]
    condition: String,
    /// A value to try, as low_v=115, in the parameter's own unit; others stay as they are in force. May be repeated.
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// First day, by each site's own midnight.
    #[arg(long)]
    from: NaiveDate,
    /// Last day, included.
    #[arg(long)]
    to: NaiveDate,
    /// The whole fleet, or a part by its number: substation:1, feeder:10001, site:20001, regulator:50001.
    #[arg(long, default_value = "fleet", conflicts_with = "site")]
    part: String,
    /// A site by its name, instead of a part by its number.
    #[arg(long)]
    site: Option<String>,
    /// Print the episodes as CSV instead of text.
    #[arg(long)]
    csv: bool,
}

pub(crate) async fn run(args: Args) -> Result<()> {
    let condition = Condition::from_name(&args.condition).with_context(|| {
        let known: Vec<_> = Condition::all().map(Condition::name).collect();
        format!("there is no condition {:?}; there is {}", args.condition, known.join(", "))
    })?;
    let set = args.set.iter().map(|text| value(condition, text)).collect::<Result<Vec<_>>>()?;
    let pool = PgPoolOptions::new()
        .max_connections(2)
        .connect(&args.database_url)
        .await
        .context("connecting to the database")?;
    let part = match &args.site {
        Some(name) => Part::Site(site(&pool, name).await?),
        None => args.part.parse().map_err(anyhow::Error::msg)?,
    };
    let ask = Ask { condition, set, part, days: (args.from, args.to) };
    let bounds = Bounds { most_places: usize::MAX, patience: None };
    let progress = Arc::new(Progress::new(condition.title().to_owned()));
    let report = backtest::run(&pool, &ask, bounds, &progress).await?;
    print(&report, args.csv).context("writing the outcome")
}

/// `low_v=115`, checked against the range that the condition accepts.
fn value(condition: Condition, text: &str) -> Result<(String, f64)> {
    let (name, value) =
        text.split_once('=').with_context(|| format!("{text:?} is not written as NAME=VALUE"))?;
    let parameter = condition.parameter(name.trim()).with_context(|| {
        let known: Vec<_> = condition.parameters().iter().map(|p| p.name).collect();
        format!("{} has no value {name:?}; it has {}", condition.name(), known.join(", "))
    })?;
    let value: f64 = value.trim().parse().with_context(|| format!("{value:?} is not a number"))?;
    ensure!(
        (parameter.min..=parameter.max).contains(&value),
        "{name} takes {} to {} {}, not {value}",
        parameter.min,
        parameter.max,
        parameter.unit
    );
    Ok((parameter.name.to_owned(), value))
}

async fn site(pool: &PgPool, name: &str) -> Result<i32> {
    let found: Vec<i32> = sqlx::query_scalar("select id from site where name = $1 order by id")
        .bind(name)
        .fetch_all(pool)
        .await
        .context("looking for the site")?;
    match found.as_slice() {
        [id] => Ok(*id),
        [] => bail!("there is no site {name:?}"),
        many => bail!("{} sites are called {name:?}: name one as --part site:{}", many.len(), many[0]),
    }
}

fn print(report: &Report, csv: bool) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    if csv {
        write!(out, "{}", csv_text(report))?;
    } else {
        write!(out, "{}", text(report))?;
    }
    if let Some(cut) = report.cut() {
        eprintln!("{cut}");
    }
    if report.not_kept() > 0 {
        eprintln!("{} more episodes are counted and not listed.", report.not_kept());
    }
    Ok(())
}

const HEAD: &str = "place,raised_at,returned_at,lasted_s,by,alarm,summary\n";

fn csv_text(report: &Report) -> String {
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    report.episodes.iter().fold(HEAD.to_owned(), |mut all, e| {
        let place = report.places.get(e.place).map_or("", |p| p.name.as_str());
        let returned = e.returned_at.map_or_else(String::new, |at| at.to_rfc3339());
        let alarm = e.alarm.map_or_else(String::new, |id| id.to_string());
        let (raised, kind) = (e.raised_at.to_rfc3339(), e.kind.words());
        all += &format!(
            "{},{raised},{returned},{:.0},{kind},{alarm},{}\n",
            quoted(place),
            e.lasted_s,
            quoted(&e.summary)
        );
        all
    })
}

fn text(report: &Report) -> String {
    let t = &report.totals;
    let mut all = format!(
        "{} judged over {} days, {} readings\n\n{:18}{:>8}{:>10}{:>22}{:>16}\n",
        report.places.len(),
        report.days,
        t.readings,
        "raised by",
        "alarms",
        "a day",
        "without counterpart",
        "true for, h"
    );
    for (what, count, alone, seconds) in [
        ("values tried", t.tried, t.only_tried, t.tried_s),
        ("values in force", t.in_force, t.only_in_force, t.in_force_s),
    ] {
        let a_day = report.a_day(count);
        all += &format!("{what:18}{count:>8}{a_day:>10.1}{alone:>22}{:>16.1}\n", seconds / 3600.0);
    }
    let (a_day, too) = (report.a_day(t.real), t.real_tried);
    all += &format!(
        "{:18}{:>8}{a_day:>10.1}  {too} of them by the values tried as well\n\n",
        "really raised", t.real
    );
    for e in &report.episodes {
        let Some(place) = report.places.get(e.place) else { continue };
        let at = e.raised_at.with_timezone(&place.zone).format("%Y-%m-%d %H:%M:%S %Z");
        all += &format!("{at}  {:>7.0} s  {}  {}: {}\n", e.lasted_s, e.kind.words(), place.name, e.summary);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_checked_against_what_the_condition_accepts() {
        let read = |text| value(Condition::VoltageRangeA, text);
        assert_eq!(read("low_v=115.5").unwrap(), ("low_v".to_owned(), 115.5));
        for (text, why) in [
            ("low_v", "NAME=VALUE"),
            ("deep_v=1", "low_v"),
            ("low_v=high", "not a number"),
            ("low_v=2", "low_v takes"),
            ("low_v=NaN", "low_v takes"),
        ] {
            let error = format!("{:#}", read(text).unwrap_err());
            assert!(error.contains(why), "{text}: {error}");
        }
    }
}
