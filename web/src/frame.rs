//! What surrounds every page: the navigation, and who is on call.
//!
//! The navigation has two rows: a few groups, and the pages of the present group. A page says its [`Section`]; the section knows its group.
//! To add a page, add a variant and its line in `NAVIGATION`.

/// The part of the program that a page belongs to, marked in the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the names are the whole story")]
pub enum Section {
    Board,
    Polling,
    Alarms,
    Handover,
    Windows,
    AlarmQuality,
    Conditions,
    Rotas,
    Reach,
    Undelivered,
    Causes,
    Maintenance,
    Study,
    Backtest,
    Calculators,
    Thresholds,
    Recipients,
    People,
    None,
}

/// Pages that belong together: the first row of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Group {
    Board,
    Alarms,
    OnCall,
    Engineering,
    SetUp,
}

impl Group {
    const ALL: [Self; 5] = [Self::Board, Self::Alarms, Self::OnCall, Self::Engineering, Self::SetUp];

    const fn word(self) -> &'static str {
        match self {
            Self::Board => "Board",
            Self::Alarms => "Alarms",
            Self::OnCall => "On call",
            Self::Engineering => "Engineering",
            Self::SetUp => "Set-up",
        }
    }
}

/// Every page that the navigation leads to, group by group; a group leads to the first of its pages that is of use.
const NAVIGATION: &[(Section, Group, &str, &str)] = &[
    (Section::Board, Group::Board, "/", "Board"),
    (Section::Polling, Group::Board, "/polling", "Polling"),
    (Section::Alarms, Group::Alarms, "/alarms", "Alarms"),
    (Section::Handover, Group::Alarms, "/handover", "Handover"),
    (Section::Windows, Group::Alarms, "/windows", "Maintenance windows"),
    (Section::AlarmQuality, Group::Alarms, "/alarm-quality", "Alarm quality"),
    (Section::Conditions, Group::Alarms, "/conditions", "Conditions"),
    (Section::Rotas, Group::OnCall, "/rotas", "Rotas"),
    (Section::Reach, Group::OnCall, "/reach", "How I am reached"),
    (Section::Undelivered, Group::OnCall, "/undelivered", "Undelivered messages"),
    (Section::Causes, Group::Engineering, "/causes", "Causes"),
    (Section::Maintenance, Group::Engineering, "/maintenance", "Maintenance"),
    (Section::Study, Group::Engineering, "/study", "Study"),
    (Section::Backtest, Group::Engineering, "/backtest", "Backtest"),
    (Section::Calculators, Group::Engineering, "/calculators", "Calculators"),
    (Section::Thresholds, Group::SetUp, "/thresholds", "Thresholds"),
    (Section::Recipients, Group::SetUp, "/recipients", "Recipients"),
    (Section::People, Group::SetUp, "/people", "People"),
];

/// Who is looking, and what stands around every page that they look at.
#[derive(Debug, Clone)]
pub struct Viewer {
    /// Their name.
    pub name: String,
    /// Their role, in words.
    pub role: String,
    /// Whether they may acknowledge alarms.
    pub may_operate: bool,
    /// Whether they may change thresholds and recipients.
    pub may_engineer: bool,
    /// Whether they may manage people.
    pub may_administer: bool,
    /// Token for the forms they send.
    pub csrf: String,
    /// Who is on call, area by area, widest first.
    pub on_call: Vec<OnCall>,
    /// Messages that could not be delivered and that nobody has dealt with.
    pub undelivered: u32,
}

/// Who is on call in one area.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnCall {
    /// The rota's page.
    pub href: String,
    /// The area, in words.
    pub area: String,
    /// Who, in short: "Ann", or "nobody".
    pub who: String,
    /// The whole line: "Ann (level 1) until Mon 08:00, then Bob".
    pub line: String,
}

/// Given to every page as `frame`.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Title of the page.
    pub title: String,
    /// Its place in the navigation.
    pub section: Section,
    /// Who is looking; nobody on the sign-in page.
    pub viewer: Option<Viewer>,
    /// A word about what was just done, shown once at the top.
    pub notice: Option<String>,
}

/// One entry of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// Where it leads.
    pub href: &'static str,
    /// What it is called.
    pub word: &'static str,
    /// How many things wait there, when there are any.
    pub count: u32,
    /// Whether the page is this one, or belongs there.
    pub here: bool,
}

impl Frame {
    /// Whether the viewer may acknowledge, shelve and write things down.
    #[must_use]
    pub fn may_operate(&self) -> bool {
        self.viewer.as_ref().is_some_and(|v| v.may_operate)
    }

    /// Whether the viewer may change thresholds and recipients.
    #[must_use]
    pub fn may_engineer(&self) -> bool {
        self.viewer.as_ref().is_some_and(|v| v.may_engineer)
    }

    /// The groups that this viewer has use for.
    #[must_use]
    pub fn groups(&self) -> Vec<Link> {
        let present = self.group();
        let first = |group: Group| self.of_use().find(|(_, of, ..)| *of == group);
        let link = |group: Group| {
            let (_, _, href, _) = first(group)?;
            Some(Link { href, word: group.word(), count: 0, here: present == Some(group) })
        };
        Group::ALL.into_iter().filter_map(link).collect()
    }

    /// The pages of the present group that this viewer has use for; none on pages outside the navigation.
    #[must_use]
    pub fn links(&self) -> Vec<Link> {
        let Some(present) = self.group() else { return Vec::new() };
        let waiting = self.viewer.as_ref().map_or(0, |v| v.undelivered);
        self.of_use()
            .filter(|(_, group, ..)| *group == present)
            .map(|(section, _, href, word)| Link {
                href,
                word,
                count: if section == Section::Undelivered { waiting } else { 0 },
                here: section == self.section,
            })
            .collect()
    }

    /// What the present group is called; empty on pages outside the navigation.
    #[must_use]
    pub fn group_word(&self) -> &'static str {
        self.group().map_or("", Group::word)
    }

    fn group(&self) -> Option<Group> {
        NAVIGATION.iter().find(|(section, ..)| *section == self.section).map(|(_, group, ..)| *group)
    }

    fn of_use(&self) -> impl Iterator<Item = (Section, Group, &'static str, &'static str)> {
        let engineer = self.may_engineer();
        let administer = self.viewer.as_ref().is_some_and(|v| v.may_administer);
        NAVIGATION.iter().copied().filter(move |(section, ..)| match section {
            Section::Recipients => engineer,
            Section::People => administer,
            _ => true,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(section: Section, may_engineer: bool, may_administer: bool) -> Frame {
        let viewer = Viewer {
            name: "Ann".into(),
            role: "view".into(),
            may_operate: true,
            may_engineer,
            may_administer,
            csrf: String::new(),
            on_call: vec![],
            undelivered: 3,
        };
        Frame { title: String::new(), section, viewer: Some(viewer), notice: None }
    }

    fn words(links: &[Link]) -> Vec<&str> {
        links.iter().map(|l| l.word).collect()
    }

    #[test]
    fn a_page_marks_itself_and_its_group() {
        let frame = frame(Section::Undelivered, false, false);
        let here: Vec<_> = frame.groups().into_iter().filter(|l| l.here).collect();
        assert_eq!(here, [Link { href: "/rotas", word: "On call", count: 0, here: true }]);
        let links = frame.links();
        assert_eq!(words(&links), ["Rotas", "How I am reached", "Undelivered messages"]);
        assert_eq!(
            links.iter().map(|l| (l.here, l.count)).collect::<Vec<_>>(),
            [(false, 0), (false, 0), (true, 3)]
        );
    }

    #[test]
    fn only_what_is_of_use_is_offered() {
        assert_eq!(words(&frame(Section::Thresholds, false, false).links()), ["Thresholds"]);
        assert_eq!(
            words(&frame(Section::People, true, true).links()),
            ["Thresholds", "Recipients", "People"]
        );
        assert_eq!(frame(Section::None, true, true).links(), []);
        assert!(frame(Section::None, true, true).groups().iter().all(|link| !link.here));
    }

    #[test]
    fn a_group_leads_to_one_of_its_own_pages_and_no_page_is_listed_twice() {
        let mut seen = std::collections::BTreeSet::new();
        assert!(NAVIGATION.iter().all(|(_, _, href, _)| seen.insert(href)));
        for link in frame(Section::None, true, true).groups() {
            let (.., group) = NAVIGATION
                .iter()
                .map(|(_, g, href, _)| (href, g))
                .find(|(href, _)| **href == link.href)
                .unwrap();
            assert_eq!(group.word(), link.word);
        }
    }
}
