//! The whole app on a database of its own, asked as a browser asks.

use axum::{
    body::{Body, to_bytes},
    http::{HeaderMap, Request, Response, StatusCode, header},
};
use private_postgres::testing::TestDatabase;
use sqlx::{PgConnection, Postgres, pool::PoolConnection};
use tower::ServiceExt;

use crate::{
    App, Config,
    people::{Role, admin, session},
};

/// The app under test.
pub(crate) struct TestApp {
    pub(crate) app: App,
    _database: TestDatabase,
}

/// A browser: its cookie, and the token that its forms carry.
#[derive(Debug, Clone, Default)]
pub(crate) struct Browser {
    pub(crate) cookie: Option<String>,
    pub(crate) csrf: String,
    #[allow(dead_code, reason = "for tests that look into the tables")]
    pub(crate) person_id: i32,
}

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: String,
}

impl TestApp {
    pub(crate) async fn new() -> Self {
        let database = TestDatabase::new().await;
        let config = config(&database.url);
        Self { app: App::new(database.pool.clone(), config), _database: database }
    }

    pub(crate) async fn db(&self) -> PoolConnection<Postgres> {
        self.app.pool.acquire().await.expect("a connection")
    }

    /// The browser of a person with this role, who is made if need be.
    pub(crate) async fn browser(&self, role: Role) -> Browser {
        let mut db = self.db().await;
        let email = format!("{role}@example.org");
        let person_id = person(&mut db, &email, role).await;
        let session = session::start(&mut db, person_id, false, None).await.expect("a session");
        let found =
            session::find(&mut db, session.token.reveal()).await.expect("an answer").expect("the session");
        Browser { cookie: Some(format!("tapkeeper={}", session.token.reveal())), csrf: found.csrf, person_id }
    }

    pub(crate) async fn get(&self, browser: &Browser, path: &str) -> Answer {
        self.send(browser.request("GET", path).body(Body::empty()).expect("a request")).await
    }

    /// Sends a form with the browser's token.
    pub(crate) async fn post(&self, browser: &Browser, path: &str, fields: &[(&str, &str)]) -> Answer {
        let fields: Vec<_> = fields.iter().copied().chain([("csrf", browser.csrf.as_str())]).collect();
        self.post_bare(browser, path, &fields).await
    }

    /// Sends a form as it is.
    pub(crate) async fn post_bare(&self, browser: &Browser, path: &str, fields: &[(&str, &str)]) -> Answer {
        let body = serde_urlencoded::to_string(fields).expect("a form");
        let request = browser
            .request("POST", path)
            .header(header::ORIGIN, "http://127.0.0.1:8080")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(body))
            .expect("a request");
        self.send(request).await
    }

    pub(crate) async fn send(&self, request: Request<Body>) -> Answer {
        let response = crate::router(&self.app).oneshot(request).await.expect("an answer");
        answer(response).await
    }
}

impl Browser {
    /// Begins a request as this browser would.
    pub(crate) fn request(&self, method: &str, path: &str) -> axum::http::request::Builder {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, "127.0.0.1:8080")
            .header(header::ACCEPT, "text/html,application/xhtml+xml,*/*;q=0.8");
        match &self.cookie {
            Some(cookie) => request.header(header::COOKIE, cookie),
            None => request,
        }
    }
}

impl Answer {
    pub(crate) fn location(&self) -> &str {
        self.headers.get(header::LOCATION).map_or("", |v| v.to_str().expect("a readable address"))
    }

    /// Name and value of the cookie that it sets.
    pub(crate) fn cookie(&self) -> Option<String> {
        let set = self.headers.get(header::SET_COOKIE)?.to_str().expect("a readable cookie");
        set.split(';').next().map(str::to_owned)
    }
}

async fn answer(response: Response<Body>) -> Answer {
    let (parts, body) = response.into_parts();
    let body = to_bytes(body, 16 << 20).await.expect("the body");
    let body = String::from_utf8(body.to_vec()).expect("text");
    Answer { status: parts.status, headers: parts.headers, body }
}

async fn person(db: &mut PgConnection, email: &str, role: Role) -> i32 {
    let known: Option<i32> = sqlx::query_scalar("select id from person where email = $1")
        .bind(email)
        .fetch_optional(&mut *db)
        .await
        .expect("people");
    match known {
        Some(id) => id,
        None => admin::create(db, email, &format!("Person who may {role}"), role).await.expect("a person"),
    }
}

pub(crate) fn config(database_url: &str) -> Config {
    Config {
        heartbeat: None,
        database_url: database_url.to_owned(),
        listen: ([127, 0, 0, 1], 0).into(),
        public_url: "http://127.0.0.1:8080".to_owned(),
        metrics_token: None,
        notification: crate::notification::Config::default(),
    }
}

/// One regulator in a small inventory: East › Feeder 1 › Mill Lane, phase A, behind an endpoint of its own.
pub(crate) async fn regulator(db: &mut PgConnection) -> i32 {
    sqlx::query_scalar(
        "with u as (insert into substation (name) values ('East') returning id),
              f as (insert into feeder (substation_id, name) select id, 'Feeder 1' from u returning id),
              s as (insert into site (feeder_id, name, time_zone) select id, 'Mill Lane', 'America/Denver' from f returning id),
              b as (insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from s returning id),
              p as (insert into profile (name, source) values ('test', '') returning name),
              e as (insert into endpoint (address) values ('modbus-tcp://127.0.0.1:1502') returning id)
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
         select b.id, 'A', 333, 438, 7620, 63.5, 1000, e.id, 1, p.name from b, p, e returning id",
    )
    .fetch_one(db)
    .await
    .expect("an inventory")
}
