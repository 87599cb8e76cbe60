//! Rotas: who is on call, and changing it.

use askama::Template;
use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use regulator::Timestamp;

use crate::{board::Choice, frame::Frame};

/// One rota in the list.
#[derive(Debug, Clone)]
pub struct RotaLine {
    /// Its row.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// Its area, in words.
    pub area: String,
    /// The zone of its local times.
    pub zone: Tz,
    /// How many levels it has.
    pub levels: usize,
    /// Who is on call now, in a line.
    pub now: String,
}

/// What is typed of a new rota.
#[derive(Debug, Clone, Default)]
pub struct NewRota {
    /// Its name.
    pub name: String,
    /// Areas that have no rota yet.
    pub areas: Vec<Choice>,
    /// Its zone.
    pub zone: String,
    /// Why it was refused.
    pub fault: Option<String>,
}

/// Every rota.
#[derive(Debug, Template)]
#[template(path = "rotas.html")]
pub struct RotasPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Every rota, widest area first.
    pub rotas: Vec<RotaLine>,
    /// The form for a new one.
    pub form: NewRota,
    /// Zones to choose from.
    pub zones: Vec<String>,
}

/// A turn, as the table shows it.
#[derive(Debug, Clone)]
pub struct TurnRow {
    /// Who; nothing for nobody.
    pub who: Option<String>,
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// By which layer, in words.
    pub why: String,
    /// Whether it is the present one.
    pub now: bool,
    /// Whether it is by the repeated list.
    pub regular: bool,
}

/// One row of a list of turns.
#[derive(Debug, Clone)]
pub struct ShareRow {
    /// Who.
    pub people: Vec<Choice>,
    /// For how many days.
    pub days: String,
}

/// The form for a level's turns.
#[derive(Debug, Clone)]
pub struct TurnsForm {
    /// The level's number, or "new".
    pub level: String,
    /// Date of the first handover.
    pub start_date: String,
    /// Time of every handover.
    pub start_time: String,
    /// How long a turn is: week, day, own.
    pub length: String,
    /// The list, with empty rows at its end.
    pub rows: Vec<ShareRow>,
}

/// An override that is not over.
#[derive(Debug, Clone)]
pub struct OverrideRow {
    /// Its number, as the form sends it.
    pub number: usize,
    /// Who; nothing for nobody.
    pub who: Option<String>,
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// The reason.
    pub why: String,
    /// Whether it has begun.
    pub begun: bool,
}

/// One level.
#[derive(Debug, Clone)]
pub struct LevelView {
    /// Its number.
    pub number: u8,
    /// The turns ahead.
    pub turns: Vec<TurnRow>,
    /// The form for its turns.
    pub form: TurnsForm,
    /// Who has the holidays, in turn, with empty rows at the end.
    pub holidays: Vec<Vec<Choice>>,
    /// What was entered by hand and is not over.
    pub overrides: Vec<OverrideRow>,
}

/// A holiday.
#[derive(Debug, Clone)]
pub struct Holiday {
    /// Its date.
    pub date: NaiveDate,
    /// What it is called.
    pub name: String,
    /// Whether it is over.
    pub over: bool,
}

/// What is typed of an override.
#[derive(Debug, Clone, Default)]
pub struct OverrideForm {
    /// Levels to choose from.
    pub levels: Vec<Choice>,
    /// People, and nobody.
    pub people: Vec<Choice>,
    /// From when, local.
    pub from: String,
    /// Until when, local.
    pub to: String,
    /// The reason.
    pub why: String,
}

/// A change of the rota.
#[derive(Debug, Clone)]
pub struct Change {
    /// When.
    pub at: Timestamp,
    /// By whom.
    pub person: String,
    /// What.
    pub what: String,
}

/// Which form was refused, and why.
#[derive(Debug, Clone)]
pub struct Refusal {
    /// What was asked for.
    pub act: String,
    /// For which level; empty when it is of the whole rota.
    pub level: String,
    /// Why not.
    pub why: String,
}

/// One rota.
#[derive(Debug, Template)]
#[template(path = "rota.html")]
pub struct RotaPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Its row.
    pub id: i32,
    /// Counts changes.
    pub version: i32,
    /// Its name.
    pub name: String,
    /// Its area, in words.
    pub area: String,
    /// The zone of its local times.
    pub zone: Tz,
    /// Zones to choose from.
    pub zones: Vec<String>,
    /// The name typed.
    pub typed_name: String,
    /// The zone typed.
    pub typed_zone: String,
    /// How many weeks are shown.
    pub weeks: u16,
    /// Its levels.
    pub levels: Vec<LevelView>,
    /// The form for a further level.
    pub new_level: TurnsForm,
    /// Its holidays.
    pub holidays: Vec<Holiday>,
    /// Date and name typed of a holiday.
    pub typed_holiday: (String, String),
    /// The form for an override.
    pub form: OverrideForm,
    /// Turns that can be swapped, twice: which is chosen differs.
    pub swaps: [Vec<Choice>; 2],
    /// People who have turns and are disabled.
    pub disabled: Vec<String>,
    /// Latest changes.
    pub changes: Vec<Change>,
    /// What was refused.
    pub refusal: Option<Refusal>,
    /// When the page was made.
    pub now: Timestamp,
}

/// Lengths of time that can be shown, weeks.
pub const WEEKS: [u16; 3] = [4, 13, 52];

impl RotaPage {
    /// Why a form was refused.
    fn fault(&self, act: &str, level: &str) -> Option<&str> {
        let refusal = self.refusal.as_ref()?;
        (refusal.act == act && (level.is_empty() || refusal.level == level)).then_some(refusal.why.as_str())
    }

    /// A refusal that no form of the page shows beside its fields.
    fn other_fault(&self) -> Option<&str> {
        let refusal = self.refusal.as_ref()?;
        let shown = matches!(
            refusal.act.as_str(),
            "settings" | "turns" | "add_holiday" | "holiday_order" | "override" | "swap"
        );
        (!shown).then_some(refusal.why.as_str())
    }

    /// An instant in the rota's zone, with the year unless it is the present one.
    fn at(&self, at: &Timestamp) -> String {
        let (at, now) = (at.with_timezone(&self.zone), self.now.with_timezone(&self.zone));
        let format = if at.year() == now.year() { "%a %-d %b %H:%M" } else { "%a %-d %b %Y %H:%M" };
        at.format(format).to_string()
    }
}
