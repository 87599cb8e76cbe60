//! What people do to alarms: acknowledge, shelve, take out of service, and back.

use regulator::{
    Timestamp,
    alarms::{Event, Hold, Refusal},
    conditions::Condition,
};
use sqlx::{Acquire, PgConnection};

use super::{Act, Columns, Place, record};
use crate::notification;

/// Who does it, when, and what they say.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hand<'a> {
    pub(crate) person: &'a str,
    pub(crate) at: Timestamp,
    /// A note, or a reason.
    pub(crate) why: Option<&'a str>,
}

/// What a person can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Deed {
    Acknowledge,
    /// Until when.
    Shelve(Timestamp),
    Unshelve,
    TakeOutOfService,
    PutBack,
}

/// Does it, in a transaction of its own together with all that follows from it. Nothing if there is no such alarm; otherwise whether it
/// was done, or why it has no meaning.
///
/// # Errors
/// When the database fails; nothing has happened then.
pub(crate) async fn act(
    db: &mut PgConnection,
    alarm_id: i64,
    deed: Deed,
    hand: Hand<'_>,
) -> sqlx::Result<Option<Result<(), Refusal>>> {
    let mut tx = db.begin().await?;
    let Some((place, condition)) = find(&mut tx, alarm_id).await? else { return Ok(None) };
    let (event, until) = match deed {
        Deed::Acknowledge => (Event::Acknowledge, None),
        Deed::Shelve(until) => (Event::Begin(Hold::Shelf), Some(until)),
        Deed::Unshelve => (Event::End(Hold::Shelf), None),
        Deed::TakeOutOfService => (Event::Begin(Hold::OutOfService), None),
        Deed::PutBack => (Event::End(Hold::OutOfService), None),
    };
    let act = Act {
        until,
        why: hand.why.map(str::to_owned),
        ..Act::new(place, condition, event, hand.at).by(hand.person)
    };
    let recorded = record(&mut tx, vec![act], None).await?;
    if let Some((_, _, refusal)) = recorded.refused.first() {
        return Ok(Some(Err(*refusal)));
    }
    notification::tell(&mut tx, &recorded).await?;
    tx.commit().await?;
    Ok(Some(Ok(())))
}

async fn find(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Option<(Place, Condition)>> {
    let row = sqlx::query!(
        "select condition, regulator_id, endpoint_id, poller, substation_id, part from alarm where id = $1",
        alarm_id
    )
    .fetch_optional(db)
    .await?;
    Ok(row.and_then(|row| {
        let columns = Columns {
            regulator_id: row.regulator_id,
            endpoint_id: row.endpoint_id,
            poller: row.poller,
            substation_id: row.substation_id,
            part: row.part,
        };
        Option::<Place>::from(columns).zip(Condition::from_name(&row.condition))
    }))
}
