//! A small fictional fleet with alarms and recipients, for tests of the outbox and its ways out.

pub(crate) mod sample;
pub(crate) mod smtp;

use private_postgres::testing::TestDatabase;
use sqlx::PgPool;

/// A fleet of two feeders under one substation. Regulator and endpoint serve the first; the endpoint also serves the second.
pub(crate) struct Story {
    database: TestDatabase,
    pub(crate) substation: i32,
    pub(crate) feeder: i32,
    pub(crate) other_feeder: i32,
    pub(crate) regulator: i32,
    pub(crate) endpoint: i32,
}

impl Story {
    pub(crate) async fn new() -> Self {
        let database = TestDatabase::new().await;
        let pool = &database.pool;
        let id = async |sql: &'static str, parent: i32| -> i32 {
            sqlx::query_scalar(sql).bind(parent).fetch_one(pool).await.unwrap()
        };
        let substation =
            id("insert into substation (name) select 'Marsh Lane' where $1 = 0 returning id", 0).await;
        let endpoint = id(
            "insert into endpoint (address) select 'modbus-tcp://192.0.2.7:502' where $1 = 0 returning id",
            0,
        )
        .await;
        sqlx::query("insert into profile (name, source) values ('p', '')").execute(pool).await.unwrap();
        let feeder =
            id("insert into feeder (substation_id, name) values ($1, 'ML 12') returning id", substation)
                .await;
        let other_feeder =
            id("insert into feeder (substation_id, name) values ($1, 'ML 14') returning id", substation)
                .await;
        let mut regulators = Vec::new();
        for (feeder, phase) in [(feeder, "B"), (other_feeder, "C")] {
            let site = id(
                "insert into site (feeder_id, name, time_zone) values ($1, 'Quarry Bend', 'America/Denver') returning id",
                feeder,
            )
            .await;
            let bank = id(
                "insert into bank (site_id, name, connection) values ($1, 'Bank 1', 'wye') returning id",
                site,
            )
            .await;
            let regulator: i32 = sqlx::query_scalar(
                "insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio,
                     endpoint_id, unit, position, profile)
                 values ($1, $2, 167, 219, 7620, 63.5, 1000, $3, 1, $4, 'p') returning id",
            )
            .bind(bank)
            .bind(phase)
            .bind(endpoint)
            .bind(if phase == "B" { 1 } else { 2 })
            .fetch_one(pool)
            .await
            .unwrap();
            regulators.push(regulator);
        }
        Self { substation, feeder, other_feeder, regulator: regulators[0], endpoint, database }
    }

    pub(crate) fn pool(&self) -> &PgPool {
        &self.database.pool
    }

    pub(crate) async fn email_recipient(&self, name: &str, kind: &str, area: Option<i32>, least: i16) -> i32 {
        sqlx::query_scalar(
            "insert into recipient (name, email, area_kind, area_id, least_priority)
             values ($1, 'someone@example.org', $2, $3, $4) returning id",
        )
        .bind(name)
        .bind(kind)
        .bind(area)
        .bind(least)
        .fetch_one(self.pool())
        .await
        .unwrap()
    }

    pub(crate) async fn webhook_recipient(&self, name: &str, url: &str, secret: &str) -> i32 {
        sqlx::query_scalar(
            "insert into recipient (name, webhook_url, webhook_secret, area_kind, least_priority)
             values ($1, $2, $3, 'fleet', 1) returning id",
        )
        .bind(name)
        .bind(url)
        .bind(secret)
        .fetch_one(self.pool())
        .await
        .unwrap()
    }

    /// A person who is told when on call, by e-mail to `NAME@example.org`.
    pub(crate) async fn person(&self, name: &str) -> i32 {
        let person: i32 = sqlx::query_scalar(
            "insert into person (email, name, role) values ($1 || '@signs-in.example', $1, 'operate') returning id",
        )
        .bind(name)
        .fetch_one(self.pool())
        .await
        .unwrap();
        sqlx::query(
            "insert into recipient (name, email, area_kind, least_priority, person_id, standing)
             values ($1, $1 || '@example.org', 'fleet', 1, $2, false)",
        )
        .bind(name)
        .bind(person)
        .execute(self.pool())
        .await
        .unwrap();
        person
    }

    /// A rota of an area: one person a level, without end; nobody where there is no person.
    pub(crate) async fn rota(&self, kind: &str, area: Option<i32>, levels: &[Option<i32>]) -> i32 {
        let level = |person: &Option<i32>| {
            let turns: Vec<_> = person.iter().map(|p| serde_json::json!({"person": p, "days": 7})).collect();
            serde_json::json!({"start": {"date": "2026-01-01", "time": "08:00:00"}, "turns": turns})
        };
        let levels: Vec<_> = levels.iter().map(level).collect();
        let rota = serde_json::json!({"zone": "America/Denver", "levels": levels});
        serde_json::from_value::<oncall::rota::Rota>(rota.clone()).expect("a rota");
        sqlx::query_scalar(
            "insert into rota (name, area_kind, area_id, rota) values ($1, $2, $3, $4) returning id",
        )
        .bind(format!("{kind} {area:?}"))
        .bind(kind)
        .bind(area)
        .bind(rota)
        .fetch_one(self.pool())
        .await
        .unwrap()
    }

    pub(crate) async fn sql(&self, statement: &'static str) {
        sqlx::raw_sql(statement).execute(self.pool()).await.unwrap();
    }

    /// Lines of one text column.
    pub(crate) async fn lines(&self, query: &'static str) -> Vec<String> {
        sqlx::query_scalar(query).fetch_all(self.pool()).await.unwrap()
    }

    pub(crate) async fn alarm_of_regulator(&self, condition: &str, priority: i16) -> i64 {
        self.alarm("regulator_id", self.regulator.to_string(), condition, priority).await
    }

    pub(crate) async fn alarm_of_endpoint(&self) -> i64 {
        self.alarm("endpoint_id", self.endpoint.to_string(), "endpoint_silent", 3).await
    }

    pub(crate) async fn alarm_of_poller(&self) -> i64 {
        self.alarm("poller", "'north'".into(), "poller_silent", 4).await
    }

    async fn alarm(&self, column: &str, place: String, condition: &str, priority: i16) -> i64 {
        let sql = format!(
            "insert into alarm (condition, {column}, priority, raised_at, summary, evidence)
             values ($1, {place}, $2, '2026-03-01 19:04:00Z', 'power -48 kW, reverse for 2 min',
                 '[{{\"label\": \"real power\", \"value\": -48.25, \"unit\": \"kW\"}}]') returning id"
        );
        sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
            .bind(condition)
            .bind(priority)
            .fetch_one(self.pool())
            .await
            .unwrap()
    }

    pub(crate) async fn transition(&self, alarm: i64, kind: &str) -> i64 {
        sqlx::query_scalar(
            "insert into alarm_transition (alarm_id, kind, at)
             values ($1, $2, case $2 when 'raised' then '2026-03-01 19:04:00Z' else '2026-03-01 19:34:00Z' end::timestamptz)
             returning id",
        )
        .bind(alarm)
        .bind(kind)
        .fetch_one(self.pool())
        .await
        .unwrap()
    }

    pub(crate) async fn recipients_of(&self, transition: i64) -> Vec<i32> {
        sqlx::query_scalar("select recipient_id from notification where transition_id = $1 order by 1")
            .bind(transition)
            .fetch_all(self.pool())
            .await
            .unwrap()
    }
}
