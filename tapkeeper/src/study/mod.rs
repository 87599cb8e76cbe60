//! `tapkeeper study`: a file of readings replayed through other settings, without a database.

mod answer;
mod args;
mod machine;
mod report;
mod table;

use std::process::ExitCode;

use anyhow::Context as _;

pub(crate) use args::Args;

/// Reads, replays, prints.
pub(crate) fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let nameplate = args.nameplate.nameplate()?;
    let file = args.file.display().to_string();
    let bytes = std::fs::read(&args.file).with_context(|| format!("reading {file}"))?;
    let found = table::read(&file, &bytes, args.regulator.as_deref(), &nameplate)?;
    let answer = answer::Answer::of(args, nameplate, found)?;
    let text = if args.json {
        machine::json(&answer).context("writing JSON")?
    } else {
        report::text(&answer, &file)
    };
    if let Some(to) = &args.csv {
        let map = answer.map.as_ref().context("--csv needs --sweep, whose map it holds")?;
        std::fs::write(to, machine::map_csv(map)).with_context(|| format!("writing {}", to.display()))?;
    }
    print!("{text}");
    Ok(ExitCode::SUCCESS)
}

#[cfg(test)]
mod tests;
