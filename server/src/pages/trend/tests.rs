use super::*;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

#[test]
fn an_address_leads_to_a_range_or_to_a_clear_word() {
    let now = at("2026-03-01T12:00:00Z");
    let asked = |span: Option<&str>, from: Option<&str>, to: Option<&str>| Asked {
        span: span.map(str::to_owned),
        from: from.map(at),
        to: to.map(at),
        pad: None,
    };
    let usual = asked(None, None, None).range(now).unwrap();
    assert_eq!((usual.from, usual.to), (at("2026-02-28T12:00:00Z"), now));
    assert_eq!(asked(Some("7d"), None, None).range(now).unwrap().length(), TimeDelta::days(7));
    let one = asked(None, Some("2026-01-01T00:00:00Z"), Some("2026-01-02T00:00:00Z")).range(now).unwrap();
    assert_eq!(one.fixed(), "from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z");
    for bad in [
        asked(Some("5w"), None, None),
        asked(None, Some("2026-01-01T00:00:00Z"), None),
        asked(None, Some("2026-01-02T00:00:00Z"), Some("2026-01-01T00:00:00Z")),
        asked(None, Some("2016-01-02T00:00:00Z"), Some("2026-01-01T00:00:00Z")),
    ] {
        assert!(matches!(bad.range(now), Err(WebError::BadRequest(_))), "{bad:?}");
    }
}

mod stored {
    use private_postgres::testing::TestDatabase;
    use regulator::{Quality, Quantity, Reading};

    use super::*;
    use crate::{
        feed::testing::{batch, write},
        inventory::testing::fleet,
    };

    fn subject(id: i32) -> Subject {
        Subject {
            id,
            name: "Phase A".into(),
            band: None,
            base_v: 120.0,
            endpoint_id: 0,
            poll_interval_s: 10.0,
            modulus: 65_536,
        }
    }

    #[tokio::test]
    async fn readings_come_as_stored_and_what_is_not_good_is_a_gap() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let id = fleet(&mut connection, 1).await[0];
        let start = at("2026-03-01T12:00:00Z");
        let s = |n| start + TimeDelta::seconds(n);
        let good = Reading::new(s(0)).with(Quantity::LoadVoltage, 121.5).with(Quantity::Tap, -3.0);
        let mut frozen = Reading::new(s(10)).with(Quantity::Tap, -2.0);
        frozen.set(Quantity::LoadVoltage, Some(121.5), Quality::Frozen);
        let late = Reading::new(s(300)).with(Quantity::LoadVoltage, 119.0);
        let outside = Reading::new(s(400)).with(Quantity::LoadVoltage, 99.0);
        let all = [good, frozen, late, outside].map(|r| (id, r));
        write(&mut connection, &batch("p", 0), &all).await;

        let trend =
            load(&mut connection, &subject(id), (start, s(400)), Resolution::Readings, false).await.unwrap();
        let ms = start.timestamp_millis();
        assert_eq!(trend.series.t, [ms, ms + 10_000, ms + 130_000, ms + 300_000]);
        assert_eq!(trend.series.columns[0].value, [Some(121.5), None, None, Some(119.0)]);
        assert_eq!(trend.series.columns[3].value, [Some(-3.0), Some(-2.0), None, None]);
        assert_eq!(trend.series.columns[1].value, [None; 4]);
    }

    #[tokio::test]
    async fn operations_between_hours_are_counted_once_through_rollover() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let id = fleet(&mut connection, 1).await[0];
        // the counter at the beginning and end of each hour, and operations within it
        for (hour, first, last, within) in [(10, 65_500, 65_504, 4), (11, 65_506, 65_530, 24), (13, 3, 5, 2)]
        {
            sqlx::query(
                "insert into rollup_hour (regulator_id, bucket, readings, load_voltage_n, source_voltage_n, current_n, real_power_n,
                    reactive_power_n, counter_first, counter_first_at, counter_last, counter_last_at, operations)
                 values ($1, $2, 2, 0, 0, 0, 0, 0, $3, $2, $4, $2 + interval '59 minutes', $5)",
            )
            .bind(id)
            .bind(at("2026-03-01T00:00:00Z") + TimeDelta::hours(hour))
            .bind(first)
            .bind(last)
            .bind(within)
            .execute(&mut *connection)
            .await
            .unwrap();
        }
        let span = (at("2026-03-01T11:00:00Z"), at("2026-03-01T14:00:00Z"));
        let counted = operations::load(&mut connection, id, 65_536, span, false).await.unwrap();
        assert_eq!(counted.n, [26, 11], "2 before the hour of 11, 9 through the rollover before that of 13");
        assert_eq!(counted.total(), Some(37));
    }
}
