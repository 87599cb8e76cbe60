//! Many alarms in few lines: by condition and substation, the most urgent first. In a flood nobody can hunt through rows.

use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};

use super::{Filter, Show};

/// Never more lines than this: what one look takes in.
pub const MOST_LINES: usize = 10;

/// One open alarm, as grouping needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// What is wrong.
    pub condition: Condition,
    /// How urgent it is.
    pub priority: Priority,
    /// Number and name of its substation, where it has one of its own.
    pub substation: Option<(i32, String)>,
    /// Someone has acknowledged it.
    pub acknowledged: bool,
    /// Since when.
    pub raised_at: Timestamp,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// What is wrong; nothing for the line of all that had no room.
    pub condition: Option<Condition>,
    /// How urgent the most urgent is.
    pub priority: Priority,
    /// Where, in words.
    pub place: String,
    /// How many.
    pub count: usize,
    /// How many of them nobody has acknowledged.
    pub unacknowledged: usize,
    /// The newest was raised then.
    pub newest: Timestamp,
    /// The list of just these.
    pub href: String,
}

impl Group {
    /// What it is.
    #[must_use]
    pub fn title(&self) -> &'static str {
        self.condition.map_or("Other alarms", Condition::title)
    }

    /// Groups with something unseen first, then by urgency and size.
    fn order(&self) -> impl Ord + use<> {
        let size = (self.priority, self.unacknowledged, self.count);
        (std::cmp::Reverse((self.unacknowledged > 0, size)), self.condition, self.place.clone())
    }
}

/// The lines of these alarms: by condition and substation while there is room, then conditions that need most lines are drawn
/// together, and in the end the least urgent ones.
#[must_use]
pub fn grouped(items: &[Item]) -> Vec<Group> {
    let mut parts: Vec<Vec<&Item>> = parted(items.iter().collect(), |i| (i.condition, i.substation.clone()));
    while parts.len() > MOST_LINES {
        let Some(widest) = widest(&parts) else { break };
        let (merged, rest): (Vec<_>, Vec<_>) = parts.into_iter().partition(|p| p[0].condition == widest);
        parts = rest;
        parts.push(merged.into_iter().flatten().collect());
    }
    let mut groups: Vec<(Group, Vec<&Item>)> = parts.into_iter().map(|part| (group(&part), part)).collect();
    groups.sort_by_key(|(group, _)| group.order());
    if groups.len() > MOST_LINES {
        let rest: Vec<&Item> =
            groups.split_off(MOST_LINES - 1).into_iter().flat_map(|(_, part)| part).collect();
        let other = Group { condition: None, href: Filter::default().href(), ..group(&rest) };
        groups.push((other, rest));
    }
    groups.into_iter().map(|(group, _)| group).collect()
}

/// The condition with the most lines, if any has more than one; of equal ones the least urgent.
fn widest(parts: &[Vec<&Item>]) -> Option<Condition> {
    let lines = |c: Condition| parts.iter().filter(|p| p[0].condition == c).count();
    Condition::all()
        .map(|c| (lines(c), std::cmp::Reverse(c.priority()), c))
        .filter(|(lines, ..)| *lines > 1)
        .max()
        .map(|(.., condition)| condition)
}

fn parted<K: Ord>(items: Vec<&Item>, key: impl Fn(&Item) -> K) -> Vec<Vec<&Item>> {
    let mut parts = std::collections::BTreeMap::<K, Vec<&Item>>::new();
    for item in items {
        parts.entry(key(item)).or_default().push(item);
    }
    parts.into_values().collect()
}

fn group(part: &[&Item]) -> Group {
    let substations = parted(part.to_vec(), |i| i.substation.clone());
    let only = (substations.len() == 1).then(|| part[0].substation.clone());
    let place = match &only {
        Some(Some((_, name))) => name.clone(),
        Some(None) => "not of one substation".to_owned(),
        None => format!("{} substations", substations.iter().filter(|s| s[0].substation.is_some()).count()),
    };
    let condition = part[0].condition;
    let filter = Filter {
        show: Show::Open,
        condition: Some(condition),
        substation: only.flatten().map(|(id, _)| id),
        ..Filter::default()
    };
    Group {
        condition: Some(condition),
        priority: part.iter().map(|i| i.priority).max().unwrap_or(Priority::Low),
        place,
        count: part.len(),
        unacknowledged: part.iter().filter(|i| !i.acknowledged).count(),
        newest: part.iter().map(|i| i.raised_at).max().unwrap_or_default(),
        href: filter.href(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(condition: Condition, substation: i32, acknowledged: bool) -> Item {
        Item {
            condition,
            priority: condition.priority(),
            substation: Some((substation, format!("Substation {substation}"))),
            acknowledged,
            raised_at: Timestamp::UNIX_EPOCH,
        }
    }

    #[test]
    fn alarms_are_grouped_by_condition_and_substation_the_most_urgent_first() {
        let mut items = vec![item(Condition::ExerciseDue, 1, false)];
        items.extend((0..5).map(|_| item(Condition::ReversePower, 1, false)));
        items.extend((0..7).map(|_| item(Condition::ReversePower, 2, true)));
        let groups = grouped(&items);
        let lines: Vec<_> =
            groups.iter().map(|g| (g.title(), g.place.as_str(), g.count, g.unacknowledged)).collect();
        assert_eq!(lines.len(), 3);
        assert_eq!(lines[0], (Condition::ReversePower.title(), "Substation 1", 5, 5));
        assert_eq!(lines[2], (Condition::ReversePower.title(), "Substation 2", 7, 0), "seen ones last");
        assert_eq!(groups[0].href, "/alarms?condition=reverse_power&substation=1");
    }

    #[test]
    fn ten_lines_hold_any_flood_and_count_every_alarm() {
        // thirty substations fall silent, and every condition is raised somewhere
        let mut items: Vec<Item> = (0..30).map(|s| item(Condition::EndpointSilent, s, false)).collect();
        items.extend((0..4).map(|s| item(Condition::ReversePower, s, false)));
        let groups = grouped(&items);
        assert!(groups.len() <= MOST_LINES, "{groups:#?}");
        let silent: Vec<_> =
            groups.iter().filter(|g| g.condition == Some(Condition::EndpointSilent)).collect();
        assert_eq!((silent.len(), silent[0].count), (1, 30));
        assert_eq!(
            (silent[0].place.as_str(), silent[0].href.as_str()),
            ("30 substations", "/alarms?condition=endpoint_silent")
        );
        assert_eq!(
            groups.iter().filter(|g| g.condition == Some(Condition::ReversePower)).count(),
            4,
            "room for these"
        );

        items.extend(Condition::all().flat_map(|c| (0..3).map(move |s| item(c, s, false))));
        let groups = grouped(&items);
        assert_eq!(groups.len(), MOST_LINES);
        assert_eq!(groups.iter().map(|g| g.count).sum::<usize>(), items.len());
        assert_eq!((groups[9].title(), groups[9].href.as_str()), ("Other alarms", "/alarms"));
        assert!(groups[..9].iter().all(|g| g.priority >= groups[9].priority));
        assert_eq!(grouped(&[]), []);
    }
}
