//! The columns that say how a DNP3 control is spoken to.

use std::time::Duration;

use dnp3::{link::Address, master::TimeSync};

use super::{cell::RowReader, row::Row};
use crate::{
    endpoint::{
        LinkSettings,
        link::{
            classes_from, classes_text, event_polls_from, event_polls_text, time_sync_from, time_sync_name,
        },
    },
    profile::Protocol,
};

/// Their names, in the order of [`texts`].
pub(super) const COLUMNS: [&str; 5] =
    ["master_address", "integrity_interval_s", "event_polls", "unsolicited", "time_sync"];

/// Reads them. Where the protocol is not known, they are not said to be misplaced.
pub(super) fn read(reader: &mut RowReader<'_>, protocol: Option<Protocol>) -> Option<LinkSettings> {
    let usual = LinkSettings::default();
    let range = 0..=i32::from(Address::MAX_DEVICE);
    let master = reader.number("master_address", Some(i32::from(usual.master)), &range);
    let integrity =
        reader.number("integrity_interval_s", Some(usual.integrity.as_secs_f64()), &(1.0..=604_800.0));
    let event_polls =
        list(reader, "event_polls", event_polls_from, "write classes and periods, such as 1@10s 2,3@60s");
    let unsolicited = list(reader, "unsolicited", classes_from, "write classes of events, such as 1,2,3");
    let time_sync =
        reader.word("time_sync", Some(TimeSync::Never), &LinkSettings::TIME_SYNCS, time_sync_from);
    let read = LinkSettings {
        master: u16::try_from(master?).ok()?,
        integrity: to_the_millisecond(integrity?),
        event_polls: event_polls?,
        unsolicited: unsolicited?,
        time_sync: time_sync?,
    };
    if protocol != Some(Protocol::Modbus) {
        return Some(read);
    }
    let given = texts(&read).into_iter().zip(texts(&usual)).zip(COLUMNS);
    let mut right = true;
    for (_, column) in given.filter(|((given, usual), _)| given != usual) {
        right = false;
        reader.fault::<()>(
            column,
            "it has no meaning for an endpoint that speaks Modbus",
            "leave the cell empty, or correct the endpoint",
        );
    }
    right.then_some(usual)
}

/// As it is stored.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the range is checked")]
fn to_the_millisecond(seconds: f64) -> Duration {
    Duration::from_millis((seconds * 1000.0).round() as u64)
}

fn list<T: Default>(
    reader: &mut RowReader<'_>,
    column: &str,
    from: impl Fn(&str) -> Result<T, String>,
    remedy: &str,
) -> Option<T> {
    let Some(text) = reader.cells.get(column) else { return Some(T::default()) };
    from(text).map_or_else(|what| reader.fault(column, what, remedy), Some)
}

/// As cells, in the order of [`COLUMNS`].
pub(super) fn texts(link: &LinkSettings) -> [String; 5] {
    [
        link.master.to_string(),
        link.integrity.as_secs_f64().to_string(),
        event_polls_text(&link.event_polls),
        classes_text(link.unsolicited),
        time_sync_name(link.time_sync).to_owned(),
    ]
}

/// The cells of a row; empty where the endpoint speaks Modbus.
pub(super) fn cells(row: &Row) -> [String; 5] {
    if row.protocol() == Protocol::Modbus { Default::default() } else { texts(&row.link) }
}

/// As columns of the table `regulator`.
pub(super) struct Columns {
    pub(super) master_address: i32,
    pub(super) integrity_interval_ms: i32,
    pub(super) event_polls: String,
    pub(super) unsolicited: String,
    pub(super) time_sync: &'static str,
}

impl Columns {
    pub(super) fn of(link: &LinkSettings) -> Self {
        Self {
            master_address: link.master.into(),
            integrity_interval_ms: i32::try_from(link.integrity.as_millis()).unwrap_or(i32::MAX),
            event_polls: event_polls_text(&link.event_polls),
            unsolicited: classes_text(link.unsolicited),
            time_sync: time_sync_name(link.time_sync),
        }
    }
}
