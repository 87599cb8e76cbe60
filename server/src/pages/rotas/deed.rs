//! What can be done to a rota: read from the form, done to the rota, told in words. Nothing here touches the database.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use oncall::{
    local,
    rota::{Level, LevelNumber, Override, PersonId, Share, Start, Turn, swap},
};

use super::fields::{Fields, Odd, date, local as local_time, odd, time, zone};
use crate::{
    error::sentence,
    on_call::{Kept, Stored, hour},
};

/// Most turns in a list: what a form of 256 KiB holds, with room.
const MOST_TURNS: usize = 200;
/// Longest name of a rota or holiday, characters.
const LONGEST_NAME: usize = 100;
/// Longest reason, characters.
const LONGEST_WHY: usize = 200;

/// What was done.
#[derive(Debug, PartialEq)]
pub(super) struct Done {
    /// The rota's name, which may be new.
    pub(super) name: String,
    /// The rota as it is now.
    pub(super) kept: Kept,
    /// In words, for the record.
    pub(super) what: String,
    /// A local time that was entered does not exist or comes twice.
    pub(super) odd: Option<Odd>,
}

/// What is known around the rota.
pub(super) struct Around<'a> {
    pub(super) now: DateTime<Utc>,
    /// Names of people, by their row.
    pub(super) names: &'a HashMap<i32, String>,
}

impl Around<'_> {
    fn name(&self, person: Option<PersonId>) -> String {
        match person {
            None => "nobody".to_owned(),
            Some(PersonId(id)) => self.names.get(&id).cloned().unwrap_or_else(|| format!("person {id}")),
        }
    }

    fn person(&self, text: &str) -> Result<PersonId, String> {
        let id = text.parse().ok().filter(|id| self.names.contains_key(id));
        id.map(PersonId).ok_or_else(|| "Choose a person from the list.".to_owned())
    }
}

/// Does what a form asks for; what is wrong with it is said in a sentence.
pub(super) fn act(stored: &Stored, fields: &Fields, around: &Around<'_>) -> Result<Done, String> {
    let mut done =
        Done { name: stored.name.clone(), kept: stored.kept.clone(), what: String::new(), odd: None };
    match fields.one("act") {
        "settings" => settings(&mut done, fields)?,
        "turns" => turns(&mut done, fields, around)?,
        "remove_level" => remove_level(&mut done, fields)?,
        "add_holiday" => add_holiday(&mut done, fields)?,
        "remove_holiday" => remove_holiday(&mut done, fields)?,
        "holiday_order" => holiday_order(&mut done, fields, around)?,
        "override" => add_override(&mut done, fields, around)?,
        "remove_override" => remove_override(&mut done, fields, around)?,
        "swap" => swap_turns(&mut done, fields, around)?,
        _ => return Err("Nothing was asked for; use one of the forms of this page.".to_owned()),
    }
    let faults: Vec<String> = done.kept.rota.check().iter().map(sentence).collect();
    if faults.is_empty() { Ok(done) } else { Err(faults.join(" ")) }
}

/// A name, or why it is none.
pub(super) fn name(text: &str) -> Result<String, String> {
    if text.is_empty() || text.chars().count() > LONGEST_NAME || text.chars().any(char::is_control) {
        return Err(format!("Give it a name, of at most {LONGEST_NAME} characters."));
    }
    Ok(text.to_owned())
}

fn settings(done: &mut Done, fields: &Fields) -> Result<(), String> {
    let (new, zone) = (name(fields.one("name"))?, zone(fields.one("zone"))?);
    let mut words = Vec::new();
    if new != done.name {
        words.push(format!("renamed from “{}” to “{new}”", done.name));
    }
    if zone != done.kept.rota.zone {
        words.push(format!("time zone changed from {} to {zone}", done.kept.rota.zone));
    }
    if words.is_empty() {
        return Err("Nothing is different from what is stored.".to_owned());
    }
    done.what = capital(&words.join(", "));
    done.name = new;
    done.kept.rota.zone = zone;
    Ok(())
}

/// The level that a form is about.
fn level<'a>(done: &'a mut Done, fields: &Fields) -> Result<(LevelNumber, &'a mut Level), String> {
    let number: LevelNumber = fields.one("level").parse().unwrap_or(0);
    done.kept.rota.level(number).map_err(|fault| sentence(&fault))?;
    Ok((number, &mut done.kept.rota.levels[usize::from(number) - 1]))
}

fn turns(done: &mut Done, fields: &Fields, around: &Around<'_>) -> Result<(), String> {
    let start = Start {
        date: date(fields.one("start_date"), "First handover")?,
        time: time(fields.one("start_time"), "Time of the handover")?,
    };
    let length = fields.one("length");
    let own: Vec<&str> = fields.all("days").collect();
    let mut shares = Vec::new();
    for (row, person) in fields.all("person").enumerate().filter(|(_, person)| !person.is_empty()) {
        let person = around.person(person)?;
        let days = match length {
            "week" => 7,
            "day" => 1,
            "own" => days(own.get(row).copied().unwrap_or(""), row + 1)?,
            _ => return Err("Choose how long each turn is.".to_owned()),
        };
        shares.push(Share { person, days });
    }
    if shares.len() > MOST_TURNS {
        return Err(format!("The list has {} turns; give at most {MOST_TURNS}.", shares.len()));
    }
    done.odd = odd(done.kept.rota.zone, start.date.and_time(start.time));
    let list: Vec<String> =
        shares.iter().map(|s| format!("{} {} d", around.name(Some(s.person)), s.days)).collect();
    let list = format!("turns from {} {} on: {}", start.date, start.time.format("%H:%M"), list.join(", "));
    if fields.one("level") == "new" {
        done.kept.rota.levels.push(Level { start: Some(start), turns: shares, ..Level::default() });
        done.what = format!("Level {} added, {list}", done.kept.rota.levels.len());
    } else {
        let (number, level) = level(done, fields)?;
        (level.start, level.turns) = (Some(start), shares);
        done.what = format!("Level {number}: {list}");
    }
    Ok(())
}

fn days(text: &str, row: usize) -> Result<u16, String> {
    let days = text.parse().ok().filter(|days| (1..=3650).contains(days));
    days.ok_or_else(|| format!("Row {row}: “{text}” is not a number of days; give 1 to 3650."))
}

fn remove_level(done: &mut Done, fields: &Fields) -> Result<(), String> {
    let (number, _) = level(done, fields)?;
    done.kept.rota.levels.remove(usize::from(number) - 1);
    done.what = format!("Level {number} taken away; those after it are one lower");
    Ok(())
}

fn add_holiday(done: &mut Done, fields: &Fields) -> Result<(), String> {
    let (date, name) = (date(fields.one("date"), "Date")?, name(fields.one("name"))?);
    if !done.kept.rota.holidays.insert(date) {
        return Err(format!("{date} is a holiday already: {}.", done.kept.holiday_name(date)));
    }
    done.what = format!("Holiday added: {date} {name}");
    done.kept.holiday_names.insert(date, name);
    Ok(())
}

fn remove_holiday(done: &mut Done, fields: &Fields) -> Result<(), String> {
    let date = date(fields.one("date"), "Date")?;
    if !done.kept.rota.holidays.remove(&date) {
        return Err(format!("{date} is no holiday of this rota."));
    }
    let name = done.kept.holiday_names.remove(&date).unwrap_or_default();
    done.what = format!("Holiday taken away: {date} {name}").trim_end().to_owned();
    Ok(())
}

fn holiday_order(done: &mut Done, fields: &Fields, around: &Around<'_>) -> Result<(), String> {
    let chosen = fields.all("person").filter(|person| !person.is_empty());
    let order = chosen.map(|person| around.person(person)).collect::<Result<Vec<_>, _>>()?;
    let words: Vec<String> = order.iter().map(|p| around.name(Some(*p))).collect();
    let (number, level) = level(done, fields)?;
    level.holidays = order;
    done.what = if words.is_empty() {
        format!("Level {number}: holidays are ordinary days")
    } else {
        format!("Level {number}: holidays go to {} in turn", words.join(", "))
    };
    Ok(())
}

fn add_override(done: &mut Done, fields: &Fields, around: &Around<'_>) -> Result<(), String> {
    let tz = done.kept.rota.zone;
    let person = match fields.one("person") {
        "nobody" => None,
        other => Some(around.person(other)?),
    };
    let (from, to) = (local_time(fields.one("from"), "From")?, local_time(fields.one("to"), "To")?);
    let why = fields.one("why").to_owned();
    if why.chars().count() > LONGEST_WHY {
        return Err(format!("Give the reason in at most {LONGEST_WHY} characters."));
    }
    let new =
        Override { person, from: local::instant(tz, from), to: local::instant(tz, to), why: why.clone() };
    if new.from < new.to && new.to <= around.now {
        return Err("It would be over already; give a time that is still to come.".to_owned());
    }
    done.odd = odd(tz, from).or(odd(tz, to));
    let (number, level) = level(done, fields)?;
    let mut what = format!("Level {number}: {} on call {}", around.name(person), span(tz, &new));
    if !why.is_empty() {
        what += &format!(" ({why})");
    }
    level.overrides.push(new);
    done.what = what;
    Ok(())
}

/// With the year: the record is read long after.
fn span(tz: Tz, over: &Override) -> String {
    let at = |at: DateTime<Utc>| at.with_timezone(&tz).format("%Y-%m-%d %H:%M %Z");
    format!("from {} to {}", at(over.from), at(over.to))
}

/// What has begun ends now; what is to come is taken away; what is over stays as it was.
fn remove_override(done: &mut Done, fields: &Fields, around: &Around<'_>) -> Result<(), String> {
    let tz = done.kept.rota.zone;
    let (number, level) = level(done, fields)?;
    let index = fields.one("number").parse::<usize>().ok().and_then(|n| n.checked_sub(1));
    let found = index.and_then(|i| Some((i, level.overrides.get(i)?.clone())));
    let (index, over) = found.ok_or("That override is no longer there.")?;
    if over.to <= around.now {
        return Err("It is over; what has been stays in the record.".to_owned());
    }
    let words = format!("{} {}", around.name(over.person), span(tz, &over));
    done.what = if over.from < around.now {
        level.overrides[index].to = around.now;
        format!("Level {number}: override ended early: {words}")
    } else {
        level.overrides.remove(index);
        format!("Level {number}: override taken away: {words}")
    };
    Ok(())
}

fn swap_turns(done: &mut Done, fields: &Fields, around: &Around<'_>) -> Result<(), String> {
    let ((level_a, a), (level_b, b)) =
        (chosen_turn(done, fields.one("one"), around)?, chosen_turn(done, fields.one("other"), around)?);
    if a.person == b.person {
        return Err(format!("Both turns are of {}; choose two people's.", around.name(a.person)));
    }
    let tz = done.kept.rota.zone;
    let [first, second] = swap(&a, &b);
    let at = |turn: &Turn| hour(tz, around.now, turn.from);
    done.what = format!(
        "Swapped: the turn of {} at level {level_a} from {} with that of {} at level {level_b} from {}",
        around.name(a.person),
        at(&a),
        around.name(b.person),
        at(&b)
    );
    done.kept.rota.levels[usize::from(level_a) - 1].overrides.push(first);
    done.kept.rota.levels[usize::from(level_b) - 1].overrides.push(second);
    Ok(())
}

/// A turn that a form names as `LEVEL@BEGINNING`; of one that has begun, what is left of it.
fn chosen_turn(done: &Done, text: &str, around: &Around<'_>) -> Result<(LevelNumber, Turn), String> {
    let parts = text.split_once('@').and_then(|(level, from)| {
        Some((level.parse::<LevelNumber>().ok()?, from.parse::<DateTime<Utc>>().ok()?))
    });
    let (level, from) = parts.ok_or("Choose two turns from the lists.")?;
    let turn = done.kept.rota.turn_at(level, from).filter(|turn| turn.from == from && turn.to > around.now);
    let turn = turn.ok_or("One of the turns is no longer there; choose again.")?;
    Ok((level, Turn { from: turn.from.max(around.now), ..turn }))
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}
