//! People, from the shell: the first administrator comes from here.

use std::time::Duration;

use anyhow::Result;
use clap::Subcommand;
use server::people::{Role, admin};
use sqlx::PgConnection;

use crate::database;

/// How long a sign-in link made here may wait to be used.
const LINK_LIFE: Duration = Duration::from_secs(24 * 3600);

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Add a person and print a sign-in link, good once and for a day.
    Add {
        /// Their e-mail address, which they sign in with.
        #[arg(long)]
        email: String,
        /// Their name, as shown on alarms they acknowledge.
        #[arg(long)]
        name: String,
        /// view, operate (acknowledge), engineer (thresholds, recipients) or administer (people).
        #[arg(long)]
        role: Role,
        #[command(flatten)]
        at: Place,
    },
    /// Print a new sign-in link for a person who is there already.
    Link {
        /// Their e-mail address.
        #[arg(long)]
        email: String,
        #[command(flatten)]
        at: Place,
    },
    /// Change what a person may do.
    Role {
        /// Their e-mail address.
        #[arg(long)]
        email: String,
        /// view, operate, engineer or administer.
        #[arg(long)]
        role: Role,
        #[command(flatten)]
        at: Place,
    },
    /// Bar a person; their sessions end at once.
    Disable {
        /// Their e-mail address.
        #[arg(long)]
        email: String,
        #[command(flatten)]
        at: Place,
    },
    /// Let a barred person in again.
    Enable {
        /// Their e-mail address.
        #[arg(long)]
        email: String,
        #[command(flatten)]
        at: Place,
    },
    /// Everyone, with their role and when they were last seen.
    List {
        #[command(flatten)]
        at: Place,
    },
}

#[derive(Debug, clap::Args)]
pub(crate) struct Place {
    /// PostgreSQL 15 or newer, with the schema in place.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: String,
    /// How people reach the server, put before sign-in links.
    #[arg(long, env = "TAPKEEPER_PUBLIC_URL", default_value = "http://127.0.0.1:8080")]
    public_url: String,
}

pub(crate) async fn run(command: Command) -> Result<()> {
    match command {
        Command::Add { email, name, role, at } => {
            let mut db = database::connect(&at.database_url).await?;
            admin::create(&mut db, &email, &name, role).await?;
            print_link(&mut db, &email, &at).await
        }
        Command::Link { email, at } => {
            let mut db = database::connect(&at.database_url).await?;
            print_link(&mut db, &email, &at).await
        }
        Command::Role { email, role, at } => {
            let mut db = database::connect(&at.database_url).await?;
            Ok(admin::set_role(&mut db, &email, role).await?)
        }
        Command::Disable { email, at } => {
            let mut db = database::connect(&at.database_url).await?;
            Ok(admin::disable(&mut db, &email).await?)
        }
        Command::Enable { email, at } => {
            let mut db = database::connect(&at.database_url).await?;
            Ok(admin::enable(&mut db, &email).await?)
        }
        Command::List { at } => {
            let mut db = database::connect(&at.database_url).await?;
            list(&mut db).await
        }
    }
}

async fn print_link(db: &mut PgConnection, email: &str, at: &Place) -> Result<()> {
    let path = admin::sign_in_link(db, email, LINK_LIFE).await?;
    println!("{}{path}", at.public_url.trim_end_matches('/'));
    Ok(())
}

async fn list(db: &mut PgConnection) -> Result<()> {
    for person in admin::list(db).await? {
        let seen =
            person.seen_at.map_or_else(|| "never".to_owned(), |t| t.format("%Y-%m-%d %H:%M UTC").to_string());
        let barred = if person.disabled_at.is_some() { "  disabled" } else { "" };
        println!("{:32} {:24} {:11} last seen {seen}{barred}", person.email, person.name, person.role);
    }
    Ok(())
}
