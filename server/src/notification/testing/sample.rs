//! One alarm's two notices, for looking at what is made of them.

use chrono::{TimeZone, Utc};
use regulator::conditions::{Change, Fact};

use crate::notification::notice::{Notice, Place, RegulatorPlace};

/// Raised.
pub(crate) fn notice() -> Notice {
    Notice {
        notification_id: 200_001,
        created_at: Utc.with_ymd_and_hms(2026, 3, 1, 19, 4, 2).unwrap(),
        previous: None,
        again: false,
        change: Change::Raised,
        at: Utc.with_ymd_and_hms(2026, 3, 1, 19, 4, 0).unwrap(),
        alarm_id: 100_001,
        condition: "reverse_power".into(),
        priority: 3,
        raised_at: Utc.with_ymd_and_hms(2026, 3, 1, 19, 4, 0).unwrap(),
        summary: "power -48 kW, reverse for 2 min".into(),
        facts: vec![
            Fact { label: "real power".into(), value: -48.25, unit: "kW".into() },
            Fact { label: "operations today".into(), value: 12.0, unit: String::new() },
        ],
        place: Place::Regulator(RegulatorPlace {
            regulator_id: 50_001,
            substation: "Marsh Lane".into(),
            feeder: "ML 12".into(),
            site: "Quarry Bend".into(),
            bank: "Bank 1".into(),
            phase: "B".into(),
            time_zone: "America/Denver".into(),
        }),
        call: None,
        answer: None,
    }
}

/// Its return.
pub(crate) fn returned() -> Notice {
    Notice {
        notification_id: 200_007,
        previous: Some(notice().key()),
        change: Change::Returned,
        at: Utc.with_ymd_and_hms(2026, 3, 1, 19, 34, 0).unwrap(),
        facts: vec![Fact { label: "real power".into(), value: 31.0, unit: "kW".into() }],
        ..notice()
    }
}
