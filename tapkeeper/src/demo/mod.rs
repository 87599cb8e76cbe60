//! Everything at once: a private database, a simulated fleet on real sockets, the poller and the web application.
//!
//! The parts are the same that run alone in earnest; only this file knows that they share a process.

mod history;
mod inbox;
mod keeping;
mod people;

use std::{
    io::{IsTerminal, Write},
    net::{Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    sync::{Arc, Mutex},
    time::Duration,
};

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use poller::store::{BatchId, Writer};
use private_postgres::{Cluster, Durability};
use server::people::{Role, admin};
use simulator::{Devices, Fleet};
use sqlx::{Connection, PgConnection};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::{database, stopping};
use history::Ids;
use keeping::Keeping;

/// Name under which the demo writes readings.
const POLLER: &str = "demo";
/// The demo refuses no reading for its age.
const AGES: TimeDelta = TimeDelta::days(36_500);
const ADMINISTRATOR: &str = "demo@tapkeeper.invalid";

#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// An existing PostgreSQL 15 or newer to use instead of a private one.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: Option<String>,
    /// Where the private database and the simulated fleet's state are kept.
    #[arg(long, env = "TAPKEEPER_DEMO_DATA")]
    data: Option<PathBuf>,
    /// Where the web application listens; the next free port is taken if this one is not free.
    #[arg(long, env = "TAPKEEPER_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// First of the loopback ports on which the simulated controls answer; 0 takes any.
    #[arg(long, default_value_t = 15_020)]
    base_port: u16,
    /// Days of history made at the first start.
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(0..=400))]
    days: u32,
    /// Seed of the simulated physics.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// End the history at this instant instead of now, and poll nothing: the same history every time, for tests.
    #[arg(long, value_name = "INSTANT")]
    until: Option<DateTime<Utc>>,
    /// Write address, sign-in link and database as JSON to this file once history and its alarms are complete.
    #[arg(long)]
    ready_file: Option<PathBuf>,
}

pub(crate) async fn run(args: Args) -> Result<()> {
    let stop = stopping::on_signal();
    let data = data_folder(args.data.as_deref())?;
    let (cluster, database_url) = open_database(args.database_url.as_deref(), &data)?;
    let outcome = run_parts(&args, &data, &database_url, &stop).await;
    stop.cancel();
    if let Some(cluster) = cluster {
        tokio::task::spawn_blocking(move || cluster.stop()).await??;
    }
    say("stopped; the data is kept for the next start");
    outcome
}

async fn run_parts(args: &Args, data: &Path, database_url: &str, stop: &CancellationToken) -> Result<()> {
    database::migrate(database_url).await?;
    let mut db = database::connect(database_url).await?;
    let keeping = Keeping::new(data.join("fleet.json"));
    let end = args.until.unwrap_or_else(Utc::now);
    let mut fleet = keeping.load(args.seed, end - TimeDelta::days(i64::from(args.days)))?;
    let devices = Devices::bind(&fleet, Ipv4Addr::LOCALHOST.into(), args.base_port).await?;
    import(&mut db, &fleet.csv(devices.addresses())).await?;
    set_thresholds(&mut db, &fleet).await?;

    let listen = free_address(args.listen)?;
    let public_url = format!("http://{listen}");
    let inbox = inbox::open(data.join("messages.jsonl"), stop.clone()).await?;
    let server = start_server(database_url, listen, &public_url, stop);
    wait_for(listen, &server, stop).await?;
    let link = format!("{public_url}{}", sign_in_link(&mut db).await?);
    say(&format!("Tapkeeper is at {public_url}\n  sign in once, within a day, by {link}"));

    let ids = Ids::look_up(&mut db, &fleet, devices.addresses()).await?;
    let last = fill(&mut fleet, &ids, database_url, args.until, stop).await?;
    keeping.save(&fleet)?;

    let fleet = Arc::new(Mutex::new(fleet));
    let live = args.until.is_none();
    let devices = tokio::spawn(when(live, devices.run(Arc::clone(&fleet), stop.clone())));
    let polling =
        tokio::spawn(when(live, poller::run(poller::Config::new(database_url, POLLER), stop.clone())));
    say("polling the simulated fleet; Ctrl-C stops everything");
    if let Some(last) = last {
        wait_for_detection(&mut db, last, stop).await?;
        call_nobody_about_history(&mut db).await?;
    }
    add_recipient(&mut db, inbox).await?;
    people::add(&mut db, inbox, end).await?;
    db.close().await?;
    if let Some(file) = &args.ready_file {
        let ready = serde_json::json!({"url": public_url, "sign_in": link, "database_url": database_url});
        std::fs::write(file, ready.to_string()).with_context(|| format!("writing {}", file.display()))?;
    }
    let (kept, devices, polling, server) = tokio::join!(keeping.keep(&fleet, stop), devices, polling, server);
    kept?;
    devices?;
    polling?.transpose()?;
    server?
}

/// Runs `part` if `wanted`.
async fn when<T>(wanted: bool, part: impl Future<Output = T>) -> Option<T> {
    if wanted { Some(part.await) } else { None }
}

fn data_folder(wanted: Option<&Path>) -> Result<PathBuf> {
    let folder = match wanted {
        Some(folder) => folder.to_owned(),
        // The database's own account must be able to reach the folder, which rules out root's home.
        None => match std::env::var_os("HOME").map(PathBuf::from) {
            Some(home) if home != Path::new("/root") && home != Path::new("/") => {
                home.join(".local/share/tapkeeper-demo")
            }
            _ => PathBuf::from("/var/lib/tapkeeper-demo"),
        },
    };
    std::fs::create_dir_all(&folder)
        .with_context(|| format!("making the data folder {}", folder.display()))?;
    Ok(folder.canonicalize()?)
}

fn open_database(given: Option<&str>, data: &Path) -> Result<(Option<Cluster>, String)> {
    if let Some(url) = given {
        return Ok((None, url.to_owned()));
    }
    say(&format!("starting a private database in {}", data.display()));
    let cluster = Cluster::start(&data.join("postgres"), Durability::Full)?;
    let url = cluster.database("tapkeeper")?;
    Ok((Some(cluster), url))
}

async fn import(db: &mut PgConnection, csv: &str) -> Result<()> {
    let profiles = poller::fleet::ProfileSet::shipped();
    poller::fleet::import(db, "the simulated fleet", csv, &profiles).await?;
    Ok(())
}

/// What the fictional utility has set for single sites. A threshold that somebody has changed since stays as it is.
async fn set_thresholds(db: &mut PgConnection, fleet: &Fleet) -> Result<()> {
    for story in fleet.stories() {
        for set in story.thresholds {
            sqlx::query!(
                "insert into threshold (condition, parameter, scope_kind, scope_id, value)
             select $1::text, $2::text, 'site', s.id, $4::float8 from site s where s.name = $3
             on conflict do nothing",
                set.condition.name(),
                set.parameter,
                story.site,
                set.value
            )
            .execute(&mut *db)
            .await?;
        }
    }
    Ok(())
}

/// The wanted address, or the same host with the next free port.
fn free_address(wanted: SocketAddr) -> Result<SocketAddr> {
    for step in 0..50 {
        let Some(port) = wanted.port().checked_add(step) else { break };
        if let Ok(listener) = std::net::TcpListener::bind(SocketAddr::new(wanted.ip(), port)) {
            return Ok(listener.local_addr()?);
        }
        if wanted.port() == 0 {
            break;
        }
    }
    anyhow::bail!("no free port at {wanted} or after it; choose another with --listen")
}

fn start_server(
    url: &str,
    listen: SocketAddr,
    public_url: &str,
    stop: &CancellationToken,
) -> JoinHandle<Result<()>> {
    let mut notification = server::notification::Config::default();
    notification.webhook.allow = vec!["127.0.0.0/8".parse().expect("a network")];
    let config = server::Config {
        heartbeat: None,
        database_url: url.to_owned(),
        listen,
        public_url: public_url.to_owned(),
        metrics_token: None,
        notification,
    };
    let stop = stop.clone();
    tokio::spawn(async move {
        let outcome = server::run(config, stop.clone()).await;
        // without its pages the demo is of no use
        stop.cancel();
        outcome
    })
}

async fn wait_for(
    listen: SocketAddr,
    server: &JoinHandle<Result<()>>,
    stop: &CancellationToken,
) -> Result<()> {
    while tokio::net::TcpStream::connect(listen).await.is_err() {
        ensure!(
            !server.is_finished() && !stop.is_cancelled(),
            "the web application did not start; its log is above"
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    Ok(())
}

async fn sign_in_link(db: &mut PgConnection) -> Result<String> {
    if !admin::list(db).await?.iter().any(|p| p.email == ADMINISTRATOR) {
        admin::create(db, ADMINISTRATOR, "Demo", Role::Administer).await?;
    }
    Ok(admin::sign_in_link(db, ADMINISTRATOR, Duration::from_secs(24 * 3600)).await?)
}

async fn fill(
    fleet: &mut Fleet,
    ids: &Ids,
    url: &str,
    until: Option<DateTime<Utc>>,
    stop: &CancellationToken,
) -> Result<Option<BatchId>> {
    let now = Utc::now();
    let to = until.unwrap_or(now);
    let from = fleet.now();
    // The session begins now: what lies before it was not polled, so its gaps are nobody's silence.
    let mut writer = Writer::new(PgConnection::connect(url).await?, POLLER.to_owned(), now).keeping(AGES);
    let whole = (to - from).num_seconds().max(1);
    let last = history::fill(fleet, ids, &mut writer, to, stop, |at| {
        show_progress(&format!(
            "history: {:3} %, {}",
            (at - from).num_seconds() * 100 / whole,
            at.format("%Y-%m-%d")
        ));
    })
    .await?;
    writer.close().await?;
    show_progress("history: complete         ");
    say("");
    Ok(last)
}

/// The history's alarms are nobody's to be told of: messages begin when detection has caught up.
async fn wait_for_detection(db: &mut PgConnection, last: BatchId, stop: &CancellationToken) -> Result<()> {
    loop {
        let reached = sqlx::query_scalar!("select batch_id from feed_cursor where follower = 'detection'")
            .fetch_optional(&mut *db)
            .await?;
        if reached.is_some_and(|id| id >= last.0) || stop.is_cancelled() {
            return Ok(());
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Alarms of readings that were made up a moment ago have called on whoever was there; that is called off.
async fn call_nobody_about_history(db: &mut PgConnection) -> Result<()> {
    sqlx::query!(
        "update escalation set stopped_at = now(), stopped_why = 'held', next_at = null where stopped_at is null"
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "update notification set state = 'dropped', reason = 'of the demo’s made-up history'
            where state in ('waiting', 'held', 'quiet')"
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn add_recipient(db: &mut PgConnection, inbox: SocketAddr) -> Result<()> {
    let url = format!("http://{inbox}/messages");
    sqlx::query!("delete from recipient r where name = 'Demo inbox' and not exists (select from notification n where n.recipient_id = r.id)")
        .execute(&mut *db)
        .await?;
    let known = sqlx::query!("update recipient set webhook_url = $1 where name = 'Demo inbox'", url)
        .execute(&mut *db)
        .await?;
    if known.rows_affected() == 0 {
        sqlx::query!(
            "insert into recipient (name, webhook_url, webhook_secret, area_kind, least_priority) values ('Demo inbox', $1, $2, 'fleet', 2)",
            url,
            server::notification::new_secret(),
        )
        .execute(db)
        .await?;
    }
    Ok(())
}

fn say(line: &str) {
    println!("{line}");
}

fn show_progress(line: &str) {
    if std::io::stdout().is_terminal() {
        print!("\r{line}");
        // a terminal that went away is no reason to stop
        let _gone = std::io::stdout().flush();
    } else {
        println!("{line}");
    }
}
