//! What surrounds every page.

/// The part of the program that a page belongs to, marked in the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the names are the whole story")]
pub enum Section {
    Board,
    Alarms,
    Causes,
    Maintenance,
    Polling,
    Thresholds,
    Study,
    Calculators,
    Backtest,
    Recipients,
    People,
    None,
}

/// Who is looking.
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
    /// Whether the page belongs there.
    pub here: bool,
}

const NAVIGATION: &[(Section, &str, &str)] = &[
    (Section::Board, "/", "Board"),
    (Section::Alarms, "/alarms", "Alarms"),
    (Section::Causes, "/causes", "Causes"),
    (Section::Maintenance, "/maintenance", "Maintenance"),
    (Section::Study, "/study", "Study"),
    (Section::Backtest, "/backtest", "Backtest"),
    (Section::Calculators, "/calculators", "Calculators"),
    (Section::Thresholds, "/thresholds", "Thresholds"),
    (Section::Polling, "/polling", "Polling"),
    (Section::Recipients, "/recipients", "Recipients"),
    (Section::People, "/people", "People"),
];

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

    /// The navigation that this viewer has use for.
    #[must_use]
    pub fn links(&self) -> Vec<Link> {
        let of_use = |section| match section {
            Section::Recipients => self.may_engineer(),
            Section::People => self.viewer.as_ref().is_some_and(|v| v.may_administer),
            _ => true,
        };
        NAVIGATION
            .iter()
            .filter(|(section, ..)| of_use(*section))
            .map(|&(section, href, word)| Link { href, word, here: section == self.section })
            .collect()
    }
}
