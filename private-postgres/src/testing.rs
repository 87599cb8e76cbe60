//! A fresh, migrated database for each test.
//!
//! Tests run under `with-postgres` (see DEVELOPERS.md), which starts one throwaway cluster for the whole run and names it
//! in [`CLUSTER`].

use std::hash::{DefaultHasher, Hash, Hasher};

use sqlx::{
    ConnectOptions, Connection, PgConnection, PgPool,
    postgres::{PgConnectOptions, PgPoolOptions},
};

/// The environment variable that holds the address of the throwaway cluster's `postgres` database.
pub const CLUSTER: &str = "TAPKEEPER_TEST_CLUSTER";

/// A database of its own, removed when dropped.
#[derive(Debug)]
pub struct TestDatabase {
    /// A small pool on it.
    pub pool: PgPool,
    /// Its address, for programs under test.
    pub url: String,
    name: String,
}

impl TestDatabase {
    /// Makes one with the present schema.
    ///
    /// # Panics
    /// When the tests were not started under `with-postgres`, or the cluster does not do as told.
    pub async fn new() -> Self {
        let options = cluster_options();
        let mut admin = PgConnection::connect_with(&options).await.expect("the test cluster answers");
        let template = template(&mut admin, &options).await;
        let name = format!("test_{}_{:08x}", std::process::id(), unique());
        sqlx::raw_sql(sqlx::AssertSqlSafe(format!("create database {name} template {template}")))
            .execute(&mut admin)
            .await
            .expect("a database for the test");
        let options = options.database(&name);
        let url = options.to_url_lossy().to_string();
        let pool = PgPoolOptions::new()
            .max_connections(8)
            .connect_with(options)
            .await
            .expect("the new database answers");
        Self { pool, url, name }
    }
}

impl Drop for TestDatabase {
    fn drop(&mut self) {
        let name = std::mem::take(&mut self.name);
        // Dropping is synchronous and the runtime may be ending, so the clean-up has a thread and runtime of its own.
        let clean_up = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
            runtime.block_on(async {
                let mut admin = PgConnection::connect_with(&cluster_options()).await.ok()?;
                let drop_it = sqlx::AssertSqlSafe(format!("drop database if exists {name} with (force)"));
                sqlx::raw_sql(drop_it).execute(&mut admin).await.ok()
            })
        });
        // A database left behind goes with the throwaway cluster.
        drop(clean_up.join());
    }
}

fn cluster_options() -> PgConnectOptions {
    let url = std::env::var(CLUSTER).unwrap_or_else(|_| {
        panic!("{CLUSTER} is not set: run `make test`, or `cargo run -p private-postgres --bin with-postgres -- cargo nextest run`")
    });
    url.parse().expect("the address of the test cluster")
}

/// The migrated template database, made once for each state of the migrations.
async fn template(admin: &mut PgConnection, options: &PgConnectOptions) -> String {
    let mut hasher = DefaultHasher::new();
    for migration in migrations::MIGRATOR.iter() {
        migration.checksum.hash(&mut hasher);
    }
    let name = format!("template_{:016x}", hasher.finish());
    sqlx::query("select pg_advisory_lock(815)").execute(&mut *admin).await.expect("the template's lock");
    let exists = sqlx::query("select 1 from pg_database where datname = $1")
        .bind(&name)
        .fetch_optional(&mut *admin)
        .await;
    if exists.expect("the list of databases").is_none() {
        let building = format!("{name}_new");
        let make = format!("create database {building}");
        let remove = format!("drop database if exists {building} with (force)");
        sqlx::raw_sql(sqlx::AssertSqlSafe(remove)).execute(&mut *admin).await.expect("room for the template");
        sqlx::raw_sql(sqlx::AssertSqlSafe(make)).execute(&mut *admin).await.expect("a template database");
        let mut connection = PgConnection::connect_with(&options.clone().database(&building))
            .await
            .expect("the template answers");
        migrations::MIGRATOR.run(&mut connection).await.expect("the migrations run");
        connection.close().await.expect("the template closes");
        let rename = format!("alter database {building} rename to {name}");
        sqlx::raw_sql(sqlx::AssertSqlSafe(rename)).execute(&mut *admin).await.expect("the template's name");
    }
    sqlx::query("select pg_advisory_unlock(815)").execute(&mut *admin).await.expect("the template's lock");
    name
}

fn unique() -> u64 {
    use std::sync::atomic::{AtomicU64, Ordering};
    static NEXT: AtomicU64 = AtomicU64::new(1);
    NEXT.fetch_add(1, Ordering::Relaxed)
}
