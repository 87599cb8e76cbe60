//! A rota as its page shows it, and forms as they were typed.

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, TimeDelta, Utc};
use oncall::{
    local,
    rota::{Level, LevelNumber, PersonId, Turn, Why},
};
use sqlx::PgConnection;
use web::{
    board::Choice,
    frame::Section,
    rotas::{
        Holiday, LevelView, OverrideForm, OverrideRow, Refusal, RotaPage, ShareRow, TurnRow, TurnsForm, WEEKS,
    },
};

use super::{fields::Fields, store};
use crate::{
    error::WebError,
    on_call::{self, Kept, Stored},
    people::SignedIn,
};

/// Empty rows at the end of each list.
const SPARE: usize = 3;
/// How far ahead turns can be swapped.
const SWAP_WEEKS: i64 = 12;

/// Everybody who can be chosen.
pub(super) struct People(Vec<on_call::Named>);

impl People {
    pub(super) async fn load(db: &mut PgConnection) -> sqlx::Result<Self> {
        Ok(Self(on_call::names(db).await?))
    }

    pub(super) fn names(&self) -> HashMap<i32, String> {
        self.0.iter().map(|p| (p.id, p.name.clone())).collect()
    }

    fn name(&self, person: PersonId) -> String {
        let found = self.0.iter().find(|p| p.id == person.0);
        found.map_or_else(|| format!("person {}", person.0), |p| p.name.clone())
    }

    /// Those who are disabled only where they are chosen already.
    fn choices(&self, chosen: &str) -> Vec<Choice> {
        let fits = |p: &&on_call::Named| !p.disabled || p.id.to_string() == chosen;
        let choice = |p: &on_call::Named| Choice {
            value: p.id.to_string(),
            title: if p.disabled { format!("{} (disabled)", p.name) } else { p.name.clone() },
            chosen: p.id.to_string() == chosen,
        };
        self.0.iter().filter(fits).map(choice).collect()
    }
}

/// The page of a rota.
pub(super) async fn page(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    stored: &Stored,
    people: &People,
    weeks: u16,
    now: DateTime<Utc>,
) -> Result<RotaPage, WebError> {
    let Kept { rota, .. } = &stored.kept;
    let weeks = if WEEKS.contains(&weeks) { weeks } else { WEEKS[0] };
    let levels = (1..=rota.level_count()).map(|number| level(stored, people, number, weeks, now)).collect();
    let today = local::date(rota.zone, now);
    Ok(RotaPage {
        frame: signed_in.frame(stored.name.clone(), Section::Rotas),
        id: stored.id,
        version: stored.version,
        name: stored.name.clone(),
        area: stored.area.clone(),
        zone: rota.zone,
        zones: store::zones(db).await?,
        typed_name: stored.name.clone(),
        typed_zone: rota.zone.to_string(),
        weeks,
        levels,
        new_level: turns_form(people, "new", &Level::default(), &today.to_string()),
        holidays: holidays(&stored.kept, today),
        typed_holiday: Default::default(),
        form: override_form(stored, people, &Fields::default()),
        swaps: [swaps(stored, people, now, ""), second(swaps(stored, people, now, ""))],
        disabled: disabled(stored, people, now),
        changes: store::changes(db, stored.id).await?,
        refusal: None,
        now,
    })
}

fn level(stored: &Stored, people: &People, number: LevelNumber, weeks: u16, now: DateTime<Utc>) -> LevelView {
    let rota = &stored.kept.rota;
    let level = &rota.levels[usize::from(number) - 1];
    let row = |turn: Turn| TurnRow {
        who: turn.person.map(|p| people.name(p)),
        from: turn.from,
        to: turn.to,
        why: why(stored, level, &turn),
        now: turn.from <= now && now < turn.to,
        regular: turn.why == Why::Regular,
    };
    let ahead = rota.turns(number, now, now + TimeDelta::weeks(weeks.into()));
    let over = |(index, over): (usize, &oncall::rota::Override)| OverrideRow {
        number: index + 1,
        who: over.person.map(|p| people.name(p)),
        from: over.from,
        to: over.to,
        why: over.why.clone(),
        begun: over.from < now,
    };
    let persons = level.holidays.iter().map(|p| p.0.to_string());
    LevelView {
        number,
        turns: ahead.into_iter().map(row).collect(),
        form: turns_form(people, &number.to_string(), level, ""),
        holidays: spare(persons).map(|p| people.choices(&p)).collect(),
        overrides: level.overrides.iter().enumerate().filter(|(_, o)| o.to > now).map(over).collect(),
    }
}

/// What is chosen, and some empty rows.
fn spare(chosen: impl Iterator<Item = String>) -> impl Iterator<Item = String> {
    chosen.chain(std::iter::repeat_n(String::new(), SPARE))
}

fn why(stored: &Stored, level: &Level, turn: &Turn) -> String {
    match turn.why {
        Why::Regular if turn.person.is_none() => "before the first turn".to_owned(),
        Why::Regular => "regular turn".to_owned(),
        Why::Holiday => {
            let name = stored.kept.holiday_name(local::date(stored.kept.rota.zone, turn.from));
            if name.is_empty() { "holiday".to_owned() } else { format!("holiday: {name}") }
        }
        Why::Override => {
            let fits = |o: &&oncall::rota::Override| {
                o.person == turn.person && o.from <= turn.from && turn.to <= o.to && !o.why.is_empty()
            };
            let found = level.overrides.iter().rev().find(fits);
            found.map_or_else(|| "override".to_owned(), |o| format!("override: {}", o.why))
        }
    }
}

fn turns_form(people: &People, number: &str, level: &Level, today: &str) -> TurnsForm {
    let days: BTreeSet<u16> = level.turns.iter().map(|share| share.days).collect();
    let length = match days.iter().collect::<Vec<_>>()[..] {
        [] | [7] => "week",
        [1] => "day",
        _ => "own",
    };
    let rows = level.turns.iter().map(|share| (share.person.0.to_string(), share.days.to_string()));
    let empty = std::iter::repeat_n((String::new(), "7".to_owned()), SPARE);
    let row = |(person, days): (String, String)| ShareRow { people: people.choices(&person), days };
    TurnsForm {
        level: number.to_owned(),
        start_date: level.start.map_or_else(|| today.to_owned(), |start| start.date.to_string()),
        start_time: level
            .start
            .map_or_else(|| "08:00".to_owned(), |start| start.time.format("%H:%M").to_string()),
        length: length.to_owned(),
        rows: rows.chain(empty).map(row).collect(),
    }
}

fn holidays(kept: &Kept, today: chrono::NaiveDate) -> Vec<Holiday> {
    let holiday = |date: &chrono::NaiveDate| Holiday {
        date: *date,
        name: kept.holiday_name(*date).to_owned(),
        over: *date < today,
    };
    kept.rota.holidays.iter().map(holiday).collect()
}

fn override_form(stored: &Stored, people: &People, typed: &Fields) -> OverrideForm {
    let level = |number: LevelNumber| Choice {
        value: number.to_string(),
        title: format!("Level {number}"),
        chosen: number.to_string() == typed.one("level"),
    };
    let nobody =
        Choice { value: "nobody".into(), title: "nobody".into(), chosen: typed.one("person") == "nobody" };
    OverrideForm {
        levels: (1..=stored.kept.rota.level_count()).map(level).collect(),
        people: people.choices(typed.one("person")).into_iter().chain([nobody]).collect(),
        from: typed.one("from").to_owned(),
        to: typed.one("to").to_owned(),
        why: typed.one("why").to_owned(),
    }
}

fn swaps(stored: &Stored, people: &People, now: DateTime<Utc>, chosen: &str) -> Vec<Choice> {
    let rota = &stored.kept.rota;
    let until = now + TimeDelta::weeks(SWAP_WEEKS);
    let of_level = |level: LevelNumber| {
        rota.turns(level, now, until).into_iter().filter_map(move |turn| Some((level, turn, turn.person?)))
    };
    let at = |at: DateTime<Utc>| at.with_timezone(&rota.zone).format("%a %-d %b %H:%M");
    let choice = |(level, turn, person): (LevelNumber, Turn, PersonId)| {
        let value = format!("{level}@{}", turn.from.format("%Y-%m-%dT%H:%M:%SZ"));
        let title = format!("{}, level {level}, {} to {}", people.name(person), at(turn.from), at(turn.to));
        Choice { chosen: value == chosen, value, title }
    };
    (1..=rota.level_count()).flat_map(of_level).map(choice).collect()
}

/// The second chosen, so that the two lists do not begin with the same turn.
fn second(mut choices: Vec<Choice>) -> Vec<Choice> {
    if let Some(choice) = choices.get_mut(1) {
        choice.chosen = true;
    }
    choices
}

fn disabled(stored: &Stored, people: &People, now: DateTime<Utc>) -> Vec<String> {
    let everybody = stored.kept.rota.everybody(now);
    people
        .0
        .iter()
        .filter(|p| p.disabled && everybody.contains(&PersonId(p.id)))
        .map(|p| p.name.clone())
        .collect()
}

/// Puts into the page what was typed into the form that was refused, and why it was.
pub(super) fn refuse(
    page: &mut RotaPage,
    stored: &Stored,
    people: &People,
    fields: &Fields,
    why: String,
    now: DateTime<Utc>,
) {
    match fields.one("act") {
        "settings" => {
            page.typed_name = fields.one("name").to_owned();
            page.typed_zone = fields.one("zone").to_owned();
        }
        "turns" => {
            let typed = typed_turns(people, fields);
            let level = page.levels.iter_mut().find(|level| level.form.level == typed.level);
            *level.map_or(&mut page.new_level, |level| &mut level.form) = typed;
        }
        "add_holiday" => page.typed_holiday = (fields.one("date").to_owned(), fields.one("name").to_owned()),
        "holiday_order" => {
            let typed = fields.all("person").map(|p| people.choices(p)).collect();
            if let Some(level) = page.levels.iter_mut().find(|l| l.form.level == fields.one("level")) {
                level.holidays = typed;
            }
        }
        "override" => page.form = override_form(stored, people, fields),
        "swap" => page.swaps = ["one", "other"].map(|name| swaps(stored, people, now, fields.one(name))),
        _ => {}
    }
    page.refusal =
        Some(Refusal { act: fields.one("act").to_owned(), level: fields.one("level").to_owned(), why });
}

fn typed_turns(people: &People, fields: &Fields) -> TurnsForm {
    let days: Vec<&str> = fields.all("days").collect();
    let row = |(index, person): (usize, &str)| ShareRow {
        people: people.choices(person),
        days: days.get(index).copied().unwrap_or("").to_owned(),
    };
    TurnsForm {
        level: fields.one("level").to_owned(),
        start_date: fields.one("start_date").to_owned(),
        start_time: fields.one("start_time").to_owned(),
        length: fields.one("length").to_owned(),
        rows: fields.all("person").enumerate().map(row).collect(),
    }
}
