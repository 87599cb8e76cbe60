//! Where the picture comes from, and whether it still does.

use std::collections::HashMap;

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::Timestamp;
use sqlx::PgConnection;
use web::board::Banner;

use super::OpenAlarm;

/// A poller writes at least a sign of life more often than this.
const QUIET: TimeDelta = TimeDelta::seconds(30);

/// What is known of the database and the pollers.
#[derive(Debug, Clone, Default)]
pub(super) struct Sources {
    /// The fleet has been read at least once.
    loaded: bool,
    /// Since when the database has not answered.
    away_since: Option<Timestamp>,
    /// When it last answered.
    answered_at: Option<Timestamp>,
    /// When each poller last wrote.
    written: HashMap<String, Timestamp>,
}

impl Sources {
    pub(super) fn answered(&mut self, now: Timestamp) {
        self.loaded = true;
        self.away_since = None;
        self.answered_at = Some(now);
    }

    pub(super) fn unanswered(&mut self, now: Timestamp) {
        // The last answer is when it was last known to be there.
        self.away_since = self.away_since.or(self.answered_at).or(Some(now));
    }

    pub(super) fn wrote(&mut self, poller: &str, at: Timestamp) {
        match self.written.get_mut(poller) {
            Some(last) => *last = at.max(*last),
            None => {
                self.written.insert(poller.to_owned(), at);
            }
        }
    }

    /// What a reader of the board must know before trusting it.
    pub(super) fn banners(
        &self,
        now: Timestamp,
        zone: Tz,
        of_poller: &HashMap<String, Vec<OpenAlarm>>,
    ) -> Vec<Banner> {
        let clock = |at: Timestamp| at.with_timezone(&zone).format("%H:%M:%S %Z").to_string();
        if let Some(since) = self.away_since {
            let so = if self.loaded {
                "Showing the last known state. Readings and alarms since then are not shown.".to_owned()
            } else {
                "The fleet has not been read yet.".to_owned()
            };
            return vec![Banner { what: format!("Database not reachable since {}.", clock(since)), so }];
        }
        if !self.loaded {
            return vec![];
        }
        let mut banners = Vec::new();
        match self.written.values().max() {
            None => banners.push(Banner {
                what: "No poller has written yet.".to_owned(),
                so: "Start one with: tapkeeper poll".to_owned(),
            }),
            Some(&last) if now - last > QUIET => banners.push(Banner {
                what: format!("No poller has written since {}.", clock(last)),
                so: "Showing the last known state. The regulators may be healthy or not: nobody is asking them.".to_owned(),
            }),
            Some(_) => {
                for (poller, alarms) in of_poller {
                    let since = alarms.iter().map(|a| a.raised_at).min().unwrap_or(now);
                    banners.push(Banner {
                        what: format!("Poller {poller} is silent since {}.", clock(since)),
                        so: "Its regulators show their last known state.".to_owned(),
                    });
                }
            }
        }
        banners.sort_by(|a, b| a.what.cmp(&b.what));
        banners
    }
}

/// When each poller last wrote, from the newest part of the feed.
pub(super) async fn last_written(connection: &mut PgConnection) -> sqlx::Result<Vec<(String, Timestamp)>> {
    let rows = sqlx::query!(
        r#"select poller, max(written_at) as "written_at!" from reading_batch
            where id > (select coalesce(max(id), 0) - 5000 from reading_batch) group by poller"#
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(|row| (row.poller, row.written_at)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        chrono::DateTime::from_timestamp(1_767_225_600 + seconds, 0).unwrap()
    }

    fn said(sources: &Sources, now: i64) -> Vec<String> {
        sources.banners(at(now), Tz::UTC, &HashMap::new()).into_iter().map(|b| b.what).collect()
    }

    #[test]
    fn a_database_that_is_away_is_said_with_the_last_time_it_answered() {
        let mut sources = Sources::default();
        sources.answered(at(0));
        sources.wrote("p", at(0));
        assert!(said(&sources, 5).is_empty());
        sources.unanswered(at(9));
        sources.unanswered(at(12));
        assert_eq!(said(&sources, 12), ["Database not reachable since 00:00:00 UTC."]);
        sources.answered(at(15));
        assert!(said(&sources, 15).is_empty());
    }

    #[test]
    fn silence_of_the_pollers_is_never_taken_for_health() {
        let mut sources = Sources::default();
        sources.answered(at(0));
        assert_eq!(said(&sources, 0), ["No poller has written yet."]);
        sources.wrote("p", at(10));
        sources.wrote("p", at(4));
        assert!(said(&sources, 40).is_empty());
        assert_eq!(said(&sources, 41), ["No poller has written since 00:00:10 UTC."]);
    }
}
