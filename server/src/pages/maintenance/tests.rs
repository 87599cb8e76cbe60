//! Ranking, contacts and the month, as a browser gets them.

use axum::http::StatusCode;
use chrono::{DateTime, Days, Months, TimeDelta, Utc};
use regulator::{Quantity, Reading, causes::Cause, conditions::Condition};
use sqlx::PgConnection;
use web::maintenance::Column;

use crate::{
    feed::BatchReading,
    inventory::testing::fleet,
    pages::life::testing::{day, live, operation, show_inventory, worn},
    people::Role,
    testing::TestApp,
};

/// Noon, so that days count back from the same date in every zone.
/// Of the day that it is where the sites are: around midnight that is another than in Greenwich.
fn noon() -> DateTime<Utc> {
    let today = Utc::now().with_timezone(&chrono_tz::America::Chicago).date_naive();
    today.and_hms_opt(12, 0, 0).unwrap().and_utc()
}

/// The first has used half of its life, a thousandth a day of late; the second hardly any and has no counter; of the third nothing
/// has been read.
async fn app() -> (TestApp, Vec<i32>) {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = fleet(&mut db, 3).await;
    let today = noon().date_naive();
    live(&mut db, ids[0], (70, noon()), Some(0), &worn(25_000, 500_000_000)).await;
    live(&mut db, ids[1], (10, noon()), None, &worn(100, 30_000_000)).await;
    for back in 1..=40 {
        day(&mut db, ids[0], today - Days::new(back), 20, &worn(20, 1_000_000)).await;
    }
    for back in 1..=5 {
        day(&mut db, ids[1], today - Days::new(back), 30, &worn(2, 100)).await;
    }
    operation(&mut db, ids[0], noon() - TimeDelta::days(2), (3, Cause::Hunting, 0.8, true)).await;
    operation(&mut db, ids[0], noon() - TimeDelta::days(3), (1, Cause::Load, 0.8, false)).await;
    alarm(&mut db, ids[1], "mechanism_suspect").await;
    alarm(&mut db, ids[0], "reverse_power").await;
    drop(db);
    show_inventory(&test).await;
    let counter = |n: f64| Reading::new(noon()).with(Quantity::Operations, n).with(Quantity::Tap, 3.0);
    test.app.picture.take([BatchReading { regulator_id: ids[0], reading: counter(50_000.0) }]);
    (test, ids)
}

async fn alarm(db: &mut PgConnection, id: i32, condition: &str) {
    sqlx::query(
        "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
         values ($1, $2, 2, now(), 'something', '[]')",
    )
    .bind(condition)
    .bind(id)
    .execute(db)
    .await
    .unwrap();
}

fn order(page: &str) -> Vec<i32> {
    page.split("<tr id=\"r").skip(1).map(|row| row.split('"').next().unwrap().parse().unwrap()).collect()
}

fn plain(page: &str) -> String {
    page.replace(['\u{a0}', '\u{202f}'], " ")
}

#[tokio::test]
async fn the_ranking_tells_life_with_its_range_and_when_it_ends() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/maintenance").await;
    assert_eq!(page.status, StatusCode::OK);
    assert_eq!(order(&page.body), ids, "most worn first, unknown last");
    let said = plain(&page.body);
    assert!(said.contains("50 %<span class=\"detail\">50 % to 50 %, finger ahead"));
    // half is left, and a thousandth a day goes: 500 days
    let end = (noon() + TimeDelta::days(500)).format("%Y-%m").to_string();
    assert!(
        said.contains(&format!("<td class=\"figure\">{end}<span class=\"detail\">{end} to {end}</span>")),
        "{said}"
    );
    assert!(said.contains("at least 3 %") && said.contains("no counter: the past is not known"));
    assert!(said.contains("5 of 28 days of history") && said.contains("– not analysed"));
    assert!(said.contains(
        "<td class=\"figure\">600</td>\n<td class=\"figure\">20.0</td>\n<td class=\"figure\">50000</td>"
    ));
    assert!(said.contains("≥ 70 at +3") && said.contains("<strong>contacts</strong>"), "sixty days on a tap");
    assert!(said.contains(&format!(">{}</a>", Condition::MechanismSuspect.title())));
    assert!(!said.contains("Reverse power</a>"), "no matter of the mechanism");
    assert!(said.contains("hunting 75 %"));
    assert!(said.contains("Before anyone touches the equipment") && said.contains("50000 breaks"));
}

#[tokio::test]
async fn every_column_sorts_both_ways_and_what_is_not_known_stays_last() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let [a, b, c] = ids[..] else { panic!("three") };
    let expected = |column: Column| match column {
        // by name, not by number
        Column::Unit => ([a, b, c], [c, b, a]),
        Column::Life => ([a, b, c], [b, a, c]),
        Column::PerDay => ([b, a, c], [a, b, c]),
        Column::Operations => ([a, b, c], [b, a, c]),
        Column::Tap | Column::Side => ([a, b, c], [b, a, c]),
        // one only is known
        Column::End | Column::Counter | Column::Due | Column::Cause => ([a, b, c], [a, b, c]),
        Column::Suspects => ([b, a, c], [b, a, c]),
    };
    for column in Column::ALL {
        let (usual, reversed) = expected(*column);
        let key = column.key();
        let page = test.get(&browser, &format!("/maintenance?sort={key}")).await.body;
        assert_eq!(order(&page), usual, "{key}");
        assert_eq!(page.matches("aria-sort").count(), 1);
        let page = test.get(&browser, &format!("/maintenance?sort={key}&reverse=1")).await.body;
        assert_eq!(order(&page), reversed, "{key} the other way");
    }
    for bad in ["sort=colour", "substation=x", "feeder=1.5"] {
        assert_eq!(test.get(&browser, &format!("/maintenance?{bad}")).await.status, StatusCode::BAD_REQUEST);
    }
    let nowhere = test.get(&browser, "/maintenance?feeder=999999").await;
    assert_eq!((nowhere.status, order(&nowhere.body)), (StatusCode::OK, vec![]));
}

#[tokio::test]
async fn the_settings_of_the_wear_limit_are_those_it_is_reckoned_by() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let set = "insert into threshold (condition, parameter, scope_kind, scope_id, value) values ('wear_limit', $1, $2, $3, $4)";
    let mut db = test.db().await;
    // half as long a life: all of it is used
    for (name, kind, id, value) in
        [("life_operations", "regulator", Some(ids[0]), 25_000.0), ("tap_days", "fleet", None, 5.0)]
    {
        let set = if name == "tap_days" { set.replace("wear_limit", "exercise_due") } else { set.to_owned() };
        sqlx::query(sqlx::AssertSqlSafe(set))
            .bind(name)
            .bind(kind)
            .bind(id)
            .bind(value)
            .execute(&mut *db)
            .await
            .unwrap();
    }
    let said = plain(&test.get(&browser, "/maintenance").await.body);
    assert!(
        said.contains("100 %<span class=\"detail\">100 % to 100 %") && said.contains(">reached<"),
        "{said}"
    );
    assert!(said.contains("some places have other values"));
    assert_eq!(said.matches("<strong>contacts</strong>").count(), 2, "ten days are too many now");
}

#[tokio::test]
async fn the_file_holds_the_same() {
    let (test, _) = app().await;
    let browser = test.browser(Role::View).await;
    let csv = test.get(&browser, "/maintenance.csv?sort=unit").await.body;
    let lines: Vec<Vec<&str>> = csv.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(lines.len(), 4);
    let field =
        |line: usize, name: &str| lines[line][lines[0].iter().position(|head| *head == name).unwrap()];
    assert_eq!(field(1, "life_used_likely_percent"), "50.00");
    assert_eq!(field(1, "end_likely"), (noon() + TimeDelta::days(500)).format("%Y-%m-%d").to_string());
    assert_eq!(
        (field(1, "operation_counter"), field(1, "main_cause"), field(1, "tap")),
        ("50000", "hunting", "3")
    );
    assert_eq!(
        (field(2, "past"), field(2, "end_note")),
        ("not known", "cannot tell: 5 of 28 days of history")
    );
    assert_eq!((field(3, "past"), field(3, "operations_30_d")), ("not analysed", ""));
}

#[tokio::test]
async fn one_unit_shows_each_contact_and_what_the_answer_owes_to_the_assumptions() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, &format!("/regulator/{}/wear", ids[0])).await;
    assert_eq!(page.status, StatusCode::OK);
    let said = plain(&page.body);
    assert!(
        said.contains("finger ahead <strong>(worst)</strong></th><td class=\"figure\">25000</td>"),
        "{said}"
    );
    assert_eq!(said.matches("<th scope=\"row\">contact ").count(), 9);
    assert!(said.contains("contact N</th>") && said.contains("50.0 / 50.0 / 50.0"));
    // half a life or twice: wear counts twice or half
    assert!(said.contains("Life twice as long or half</th><td class=\"figure\">× 0.50, "), "{said}");
    assert!(said.contains("by the 2 steps of the last 90 days"));
    let bare = test.get(&browser, &format!("/regulator/{}/wear", ids[2])).await.body;
    assert!(bare.contains("Nothing analysed yet of this regulator."));
    let quiet = plain(&test.get(&browser, &format!("/regulator/{}/wear", ids[1])).await.body);
    assert!(
        quiet.contains("Cannot tell: no operation with known taps")
            && quiet.contains("No counter to tell the past by")
    );
    assert_eq!(test.get(&browser, "/regulator/999999/wear").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_changer_of_another_make_up_is_not_told_a_life() {
    let (test, ids) = app().await;
    let mut db = test.db().await;
    sqlx::query("update regulator set step_count = 16, tap_min = -8, tap_max = 8 where id = $1")
        .bind(ids[0])
        .execute(&mut *db)
        .await
        .unwrap();
    drop(db);
    show_inventory(&test).await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/maintenance").await.body;
    assert!(page.contains("not a changer of 32 steps and nine contacts"));
    let wear = test.get(&browser, &format!("/regulator/{}/wear", ids[0])).await.body;
    assert!(wear.contains("Cannot tell the wear of its contacts"));
}

#[tokio::test]
async fn a_month_on_paper_compares_with_the_one_before() {
    let (test, ids) = app().await;
    let browser = test.browser(Role::View).await;
    let mut db = test.db().await;
    let first = "2025-03-01".parse::<chrono::NaiveDate>().unwrap();
    for (month, a_day) in [(first, 10), (first - Months::new(1), 4)] {
        for back in 0..28 {
            day(&mut db, ids[0], month + Days::new(back), a_day, &worn(10, 250_000)).await;
        }
    }
    operation(&mut db, ids[0], "2025-03-31T23:00:00Z".parse().unwrap(), (5, Cause::Clouds, 0.5, false)).await;
    operation(&mut db, ids[0], "2025-02-03T12:00:00Z".parse().unwrap(), (2, Cause::Load, 0.5, false)).await;
    drop(db);
    let page = test.get(&browser, "/maintenance/month/2025-03").await;
    assert_eq!(page.status, StatusCode::OK);
    let said = plain(&page.body);
    // 28 days of 10 against 28 of 4; 28 x 0.00025 of a life
    for words in [
        "<dt>Operations</dt><dd>280</dd>",
        "<dd>+168</dd>",
        "280<span class=\"detail\">28 d read</span></td><td class=\"figure\">+168</td><td class=\"figure\">0.70 %</td>",
        "<td class=\"figure\">5 · 100 %</td><td class=\"figure\">0</td>",
        "<td class=\"figure\">0</td><td class=\"figure\">2 · 100 %</td>",
        "clouds over solar 100 %",
        "Before anyone touches the equipment",
        "What is assumed",
    ] {
        assert!(said.contains(words), "{words} in {said}");
    }
    let csv = test.get(&browser, "/maintenance/month/2025-03.csv").await.body;
    let lines: Vec<Vec<&str>> = csv.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(lines.len(), 4);
    let line = lines.iter().find(|line| line[0] == ids[0].to_string()).unwrap();
    let field = |name: &str| line[lines[0].iter().position(|head| *head == name).unwrap()];
    assert_eq!(
        (field("operations_month"), field("operations_month_before"), field("days_read")),
        ("280", "112", "28")
    );
    assert_eq!((field("worn_month_percent"), field("main_cause_month")), ("0.7000", "clouds"));
    assert_eq!(field("life_used_likely_percent"), "50.00");
    let empty = test.get(&browser, "/maintenance/month/2001-01").await;
    assert!(empty.body.contains("Nothing analysed in this month."));
    for bad in ["2025-13", "2025-3", "march", "2025-3.csv"] {
        assert_eq!(
            test.get(&browser, &format!("/maintenance/month/{bad}")).await.status,
            StatusCode::NOT_FOUND
        );
    }
}

#[tokio::test]
async fn an_empty_fleet_and_an_unread_one_say_so() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    assert!(test.get(&browser, "/maintenance").await.body.contains("Nothing analysed yet."));
    fleet(&mut *test.db().await, 1).await;
    show_inventory(&test).await;
    let page = test.get(&browser, "/maintenance").await.body;
    assert!(page.contains("Nothing analysed yet.") && page.contains("– not analysed"));
}

/// Prints how long the pages take for 2,000 regulators and 100 days:
/// `cargo nextest run --workspace --run-ignored only -E 'test(speed_of_maintenance)' --no-capture`.
#[tokio::test]
#[ignore = "a measurement"]
async fn speed_of_maintenance() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    fleet(&mut db, 2000).await;
    let wear = worn(25_000, 500_000_000);
    sqlx::query(
        "insert into service_life (regulator_id, seen_until, settled_until, first_seen_at, first_counter, wear, state)
            select id, now(), now(), now() - interval '100 days', 0, $1, '{}' from regulator",
    )
    .bind(&wear)
    .execute(&mut *db)
    .await
    .unwrap();
    sqlx::query(
        "insert into service_day (regulator_id, day, operations, tap_lowest, tap_seconds, unknown_seconds, wear)
            select r.id, current_date - n, 20, -1, '{3600,0,0,0,82800}', 0, $1
            from regulator r, generate_series(0, 100) n",
    )
    .bind(worn(20, 1_000_000))
    .execute(&mut *db)
    .await
    .unwrap();
    sqlx::query(
        "insert into cause_day (regulator_id, day, cause, operations, weight, undone)
            select r.id, current_date - n, c, 5, 4, 1 from regulator r, generate_series(0, 100) n, generate_series(0, 3) c",
    )
    .execute(&mut *db)
    .await
    .unwrap();
    sqlx::raw_sql("analyze").execute(&mut *db).await.unwrap();
    drop(db);
    show_inventory(&test).await;
    let browser = test.browser(Role::View).await;
    let month = Utc::now().format("%Y-%m");
    for path in [
        "/maintenance".to_owned(),
        "/maintenance?sort=end".to_owned(),
        "/maintenance?all=1".to_owned(),
        "/maintenance.csv".to_owned(),
        format!("/maintenance/month/{month}"),
    ] {
        let mut took = vec![];
        for _ in 0..5 {
            let started = std::time::Instant::now();
            let page = test.get(&browser, &path).await;
            took.push(started.elapsed());
            assert_eq!(page.status, StatusCode::OK);
        }
        took.sort();
        println!("{path}: median {:?}, slowest {:?}", took[2], took[4]);
    }
}
