//! The one message that stands for those that were more than a person gets in a while.

use std::collections::BTreeMap;

use regulator::conditions::{Condition, Priority};
use sqlx::PgConnection;

use super::notice::{MessageKey, title};

/// What was held, put together.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Summary {
    pub(crate) key: MessageKey,
    /// Alarms, each once.
    pub(crate) alarms: usize,
    /// Of the most urgent ones.
    pub(crate) priority: i16,
    /// Most urgent first, then the largest.
    pub(crate) groups: Vec<Group>,
}

/// The alarms of one condition in one area.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Group {
    pub(crate) condition: String,
    pub(crate) priority: i16,
    /// "substation Marsh Lane", or empty where there is none.
    pub(crate) area: String,
    pub(crate) count: usize,
    /// Of these, those that are over already.
    pub(crate) over: usize,
}

impl Group {
    /// "9 x Voltage outside range A at substation Marsh Lane, 2 of them over already".
    pub(crate) fn line(&self) -> String {
        let over = match self.over {
            0 => String::new(),
            over if over == self.count => ", over already".to_owned(),
            over => format!(", {over} of them over already"),
        };
        format!("{}{over}", self.short())
    }

    /// The same without what is over.
    pub(crate) fn short(&self) -> String {
        let at = if self.area.is_empty() { "" } else { " at " };
        format!("{} x {}{at}{}", self.count, title(&self.condition), self.area)
    }
}

impl Summary {
    /// What the summary with this number covers, as it is now.
    pub(super) async fn load(conn: &mut PgConnection, id: i64) -> sqlx::Result<Self> {
        let created_at = sqlx::query_scalar!("select created_at from notification where id = $1", id)
            .fetch_one(&mut *conn)
            .await?;
        let rows = sqlx::query!(
            r#"select distinct a.id, a.condition, a.priority, a.returned_at is not null as "over!",
                 coalesce((select case when count(distinct v.substation_id) = 1 then min(u.name) end
                           from alarm_area v join substation u on u.id = v.substation_id where v.alarm_id = a.id), '') as "substation!"
             from notification n join alarm a on a.id = n.alarm_id
             where n.covered_by = $1"#,
            id
        )
        .fetch_all(conn)
        .await?;
        let alarms = rows.into_iter().map(|row| (row.condition, row.priority, row.substation, row.over));
        Ok(Self::of(MessageKey { notification_id: id, created_at }, alarms))
    }

    /// Puts alarms together: each with its condition, priority, substation, and whether it is over.
    pub(crate) fn of(key: MessageKey, alarms: impl Iterator<Item = (String, i16, String, bool)>) -> Self {
        let mut groups: BTreeMap<(String, String), Group> = BTreeMap::new();
        for (condition, priority, substation, over) in alarms {
            let area = if substation.is_empty() { substation } else { format!("substation {substation}") };
            let group = groups.entry((condition.clone(), area.clone())).or_insert(Group {
                condition,
                priority,
                area,
                count: 0,
                over: 0,
            });
            group.count += 1;
            group.over += usize::from(over);
        }
        let mut groups: Vec<Group> = groups.into_values().collect();
        groups.sort_by_key(|g| std::cmp::Reverse((g.priority, g.count)));
        Self {
            key,
            alarms: groups.iter().map(|g| g.count).sum(),
            priority: groups.first().map_or(0, |g| g.priority),
            groups,
        }
    }

    /// "[high] 12 more alarms".
    pub(crate) fn headline(&self) -> String {
        let mark = Priority::from_level(self.priority).map_or("unknown", Priority::title);
        format!("[{mark}] {}", self.count_words())
    }

    /// "12 more alarms".
    pub(crate) fn count_words(&self) -> String {
        format!("{} more alarm{}", self.alarms, if self.alarms == 1 { "" } else { "s" })
    }

    /// Where they are listed.
    #[allow(clippy::unused_self, reason = "beside the links of other messages")]
    pub(crate) fn link(&self, public_url: &str) -> String {
        format!("{}/alarms", public_url.trim_end_matches('/'))
    }

    /// Whether it could lead someone to touch equipment.
    pub(crate) fn concerns_equipment(&self) -> bool {
        self.groups
            .iter()
            .filter_map(|g| Condition::from_name(&g.condition))
            .any(Condition::touches_equipment)
    }
}
