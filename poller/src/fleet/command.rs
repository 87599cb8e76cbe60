//! `tapkeeper fleet import | export | check`.

use std::{
    path::{Path, PathBuf},
    process::ExitCode,
};

use anyhow::{Context, Result};
use clap::{Args, Subcommand};
use sqlx::{Connection, PgConnection};

use super::{Missing, ProfileSet, check, export, import_with};

/// Import, export or check the inventory.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Bring the inventory to a CSV file: all rows, or none if one is wrong.
    Import(ImportArgs),
    /// Write the inventory as a CSV file that can be edited and imported again.
    Export(ExportArgs),
    /// Check a CSV file without touching a database.
    Check(CheckArgs),
}

/// See its options.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// The CSV file.
    file: PathBuf,
    #[command(flatten)]
    profiles: ProfileArgs,
    /// Retire regulators that the file does not name: they are no longer polled, their history stays.
    #[arg(long)]
    retire_missing: bool,
    #[command(flatten)]
    database: DatabaseArgs,
}

/// See its options.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The CSV file to write; standard output if left out.
    file: Option<PathBuf>,
    #[command(flatten)]
    database: DatabaseArgs,
}

/// See its options.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The CSV file.
    file: PathBuf,
    #[command(flatten)]
    profiles: ProfileArgs,
}

#[derive(Debug, Args)]
struct ProfileArgs {
    /// Folder of your own profiles (NAME.toml), beside those that come with the program.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct DatabaseArgs {
    /// The database: postgres://USER@HOST/NAME.
    #[arg(long, env = "DATABASE_URL", value_name = "URL", hide_env_values = true)]
    database_url: String,
}

/// Does what was asked and prints the outcome.
///
/// # Errors
/// When a file cannot be read or is wrong, or the database does not do as told.
pub async fn main(command: Command) -> Result<ExitCode> {
    match command {
        Command::Import(args) => {
            let (name, bytes) = read(&args.file)?;
            let profiles = args.profiles.load()?;
            let missing = if args.retire_missing { Missing::Retire } else { Missing::Keep };
            let mut connection = args.database.connect().await?;
            let summary = import_with(&mut connection, &name, bytes, &profiles, missing).await?;
            println!("{summary}");
        }
        Command::Export(args) => {
            let csv = export(&mut args.database.connect().await?).await.context("reading the inventory")?;
            match args.file {
                Some(file) => {
                    std::fs::write(&file, csv).with_context(|| format!("writing {}", file.display()))?;
                }
                None => print!("{csv}"),
            }
        }
        Command::Check(args) => {
            let (name, bytes) = read(&args.file)?;
            let rows = check(&name, bytes, &args.profiles.load()?)?;
            println!("{name}: {} regulators, nothing wrong", rows.len());
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn read(file: &Path) -> Result<(String, Vec<u8>)> {
    let name = file.display().to_string();
    let bytes = std::fs::read(file).with_context(|| format!("reading {name}"))?;
    Ok((name, bytes))
}

impl ProfileArgs {
    fn load(&self) -> Result<ProfileSet> {
        let shipped = ProfileSet::shipped();
        self.profiles.as_ref().map_or(Ok(shipped.clone()), |folder| shipped.with_folder(folder))
    }
}

impl DatabaseArgs {
    async fn connect(&self) -> Result<PgConnection> {
        PgConnection::connect(&self.database_url).await.context("reaching the database")
    }
}
