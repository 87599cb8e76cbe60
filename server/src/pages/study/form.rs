//! The form: what can be chosen, what was typed, what was refused.

use std::sync::Arc;

use chrono_tz::Tz;
use regulator::study::setting::{CHOICES, SETTINGS};
use web::{
    frame::Section,
    study::{Feeder, FormRow, Input, StudyPage},
    words,
};

use super::{
    Subject,
    asked::{self, Asked, Faults, LOCAL, SLOTS, Typed},
    compute::Done,
    draw::{form_title, slot_title},
    trend,
};
use crate::{
    people::SignedIn,
    picture::{Fleet, Unit},
};

/// Every regulator, by feeder.
pub(super) fn feeders(fleet: &Fleet) -> Vec<Feeder> {
    let mut units: Vec<&Unit> = fleet.units().iter().collect();
    let place = |u: &Unit| {
        let r = &u.regulator;
        (r.substation.name.clone(), r.feeder.name.clone(), r.site.name.clone(), r.bank.name.clone(), r.phase)
    };
    units.sort_by_cached_key(|u| place(u));
    let mut feeders: Vec<Feeder> = vec![];
    for unit in units {
        let title = format!("{} › {}", unit.regulator.substation.name, unit.regulator.feeder.name);
        if feeders.last().is_none_or(|f| f.title != title) {
            feeders.push(Feeder { title, regulators: vec![] });
        }
        if let Some(feeder) = feeders.last_mut() {
            feeder.regulators.push((unit.regulator.id.to_string(), name(unit)));
        }
    }
    feeders
}

pub(super) fn name(unit: &Unit) -> String {
    format!("{}, {}", unit.regulator.site.name, trend::name(unit))
}

/// The regulator that is asked for.
pub(super) fn chosen(fleet: &Fleet, typed: &Typed, faults: &mut Faults) -> Option<Subject> {
    let text = asked::text(typed, "regulator");
    if text.is_empty() {
        return None;
    }
    let unit = fleet.units().iter().find(|u| u.regulator.id.to_string() == text);
    if unit.is_none() {
        let why = format!("There is no regulator {text} in service; choose one from the list.");
        faults.insert("regulator".to_owned(), why);
    }
    unit.map(|unit| Subject { regulator: Arc::clone(&unit.regulator), name: name(unit) })
}

/// The page with the form alone.
pub(super) fn page(
    signed_in: &SignedIn,
    typed: &Typed,
    asked: &Asked,
    zone: Tz,
    feeders: Vec<Feeder>,
) -> StudyPage {
    let value = |name: &str| asked::text(typed, name).to_owned();
    let time = |name: &str, label: &str, at: regulator::Timestamp| Input {
        name: name.to_owned(),
        label: label.to_owned(),
        value: match asked::text(typed, name) {
            "" => at.with_timezone(&zone).format(LOCAL).to_string(),
            text => text.to_owned(),
        },
        ..Input::default()
    };
    let input = |name: &str, label: &str, placeholder: &str, hint: &str| Input {
        name: name.to_owned(),
        label: label.to_owned(),
        value: value(name),
        placeholder: placeholder.to_owned(),
        hint: hint.to_owned(),
        ..Input::default()
    };
    let ways = [("", "Rebuilt from load voltage and tap"), ("measured", "Measured")];
    let source = Input {
        ways: ways.map(|(name, words)| (name.to_owned(), words.to_owned())).to_vec(),
        ..input("source", "Source voltage", "", "")
    };
    StudyPage {
        frame: signed_in.frame("Study", Section::Study),
        feeders,
        regulator: input("regulator", "Regulator", "", ""),
        span: [time("from", "From", asked.from), time("to", "To", asked.to)],
        assumed: vec![
            source,
            input("load", "Load exponent", "1", "0 constant power, 1 constant current, 2 constant impedance"),
            input(
                "power_factor",
                "Power factor",
                "none",
                "Taken where a reading has a current and no powers",
            ),
        ],
        zone: zone.name().to_owned(),
        slots: SLOTS.iter().map(|slot| slot_title(slot)).collect(),
        rows: rows(typed),
        why_none: None,
        result: None,
    }
}

fn rows(typed: &Typed) -> Vec<FormRow> {
    let cell = |slot: &str, name: &str, title: &str, ways: Vec<(String, String)>| {
        let field = asked::field(slot, name);
        Input {
            label: format!("{}: {title}", slot_title(slot)),
            value: asked::text(typed, &field).to_owned(),
            name: field,
            ways,
            ..Input::default()
        }
    };
    let numbers = SETTINGS.iter().map(|s| {
        let title = form_title(s.title, s.unit);
        let title = if s.of_widening {
            format!("Widening: {}", form_title(s.title, s.unit).to_lowercase())
        } else {
            title
        };
        let title = title.replace(", v", ", V");
        FormRow { cells: SLOTS.iter().map(|slot| cell(slot, s.name, &title, vec![])).collect(), title }
    });
    let choices = CHOICES.iter().map(|c| {
        let title = form_title(c.title, "");
        let own = c.ways.iter().map(|(name, words)| ((*name).to_owned(), (*words).to_owned()));
        let ways = |slot: &str| {
            let none = if slot == SLOTS[0] { c.ways[0].1.to_owned() } else { "as present".to_owned() };
            let rest = own.clone().filter(|(name, _)| slot != SLOTS[0] || name != c.ways[0].0);
            std::iter::once((String::new(), none)).chain(rest).collect()
        };
        FormRow { cells: SLOTS.iter().map(|slot| cell(slot, c.name, &title, ways(slot))).collect(), title }
    });
    // What a widening band, or regulating in reverse, is made of stands after whether there is such.
    let of_choice = |row: &FormRow| ["Widening", "Reverse "].iter().any(|of| row.title.starts_with(of));
    let (parts, plain): (Vec<_>, Vec<_>) = numbers.partition(of_choice);
    plain.into_iter().chain(choices).chain(parts).collect()
}

/// Shows the settings in force where nothing is typed.
pub(super) fn fill(page: &mut StudyPage, done: &Done) {
    let placeholder = |name: &str| {
        let (slot, setting) = name.split_once('_')?;
        let setting = SETTINGS.iter().find(|s| s.name == setting)?;
        let of = if slot == SLOTS[0] { &done.in_force.settings } else { &done.present };
        setting.get(of).map(words::plain)
    };
    for input in page.rows.iter_mut().flat_map(|row| &mut row.cells) {
        if let Some(text) = placeholder(&input.name) {
            input.placeholder = text;
        }
    }
}

/// Puts each refusal beside its field.
pub(super) fn refuse(page: &mut StudyPage, faults: &Faults) {
    let cells = page.rows.iter_mut().flat_map(|row| &mut row.cells);
    let others = page.span.iter_mut().chain(&mut page.assumed).chain([&mut page.regulator]);
    for input in cells.chain(others) {
        input.fault = faults.get(&input.name).cloned();
    }
}
