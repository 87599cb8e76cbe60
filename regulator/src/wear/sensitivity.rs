//! How much the answer owes to each assumption: the worst part's share with one assumption at a time moved to its ends.

use super::{ContactWear, Dial, Part, Switching, WearModel};

/// Operations of one kind: between two neighbouring taps, so often, at this load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// From this tap.
    pub from: i32,
    /// To this one.
    pub to: i32,
    /// So many times.
    pub times: u64,
    /// Load current, A.
    pub load_a: f64,
    /// Voltage per unit of rated.
    pub voltage_pu: f64,
}

/// One assumption and what it is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensitivity {
    /// What was moved, and between which values, in words.
    pub assumption: &'static str,
    /// The worst part and its share at one end.
    pub one_end: (Part, f64),
    /// The same at the other.
    pub other_end: (Part, f64),
}

/// The worst part's likely share after these operations with each assumption at its ends, all others as the model has them.
#[must_use]
pub fn sensitivity(model: &WearModel, strokes: &[Stroke]) -> Vec<Sensitivity> {
    let worst = |change: &dyn Fn(&mut WearModel)| {
        let mut changed = *model;
        change(&mut changed);
        let mut wear = ContactWear::default();
        for s in strokes {
            wear.note(&changed.law, changed.dial, (s.from, s.to), s.times, (s.load_a, s.voltage_pu));
        }
        let (part, wear) = wear.worst();
        (part, wear.share().likely)
    };
    let of = |assumption, one: &dyn Fn(&mut WearModel), other: &dyn Fn(&mut WearModel)| Sensitivity {
        assumption,
        one_end: worst(one),
        other_end: worst(other),
    };
    let circulating = |circulating| move |m: &mut WearModel| m.law.switching.circulating = circulating;
    let equalizer =
        |equalizer| move |m: &mut WearModel| m.law.switching = Switching { equalizer, ..m.law.switching };
    vec![
        of("exponent 1 or 2", &|m| m.law.exponent = 1.0, &|m| m.law.exponent = 2.0),
        of("life twice as long or half", &|m| m.law.life_operations *= 2.0, &|m| {
            m.law.life_operations /= 2.0;
        }),
        of("no circulating current, or all of rated", &circulating(0.0), &circulating(1.0)),
        of("with or without equalizer winding", &equalizer(true), &equalizer(false)),
        of("contacts below neutral in a ring or mirrored", &|m| m.dial = Dial::Ring, &|m| {
            m.dial = Dial::Mirrored;
        }),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Nameplate;

    #[test]
    fn each_assumption_moves_what_it_should() {
        let model = WearModel::common(&Nameplate::common());
        let stroke = |from, to| Stroke { from, to, times: 1000, load_a: 80.0, voltage_pu: 1.0 };
        // hunting across neutral: 1 and -1, so that ring and mirrored differ
        let strokes = [stroke(0, 1), stroke(1, 0), stroke(0, -1), stroke(-1, 0)];
        let told = sensitivity(&model, &strokes);
        let by = |name: &str| told.iter().find(|s| s.assumption.starts_with(name)).unwrap();
        let exponent = by("exponent");
        assert!(exponent.one_end.1 > exponent.other_end.1, "below rated current");
        let life = by("life");
        assert!((life.other_end.1 / life.one_end.1 - 4.0).abs() < 1e-3);
        let circulating = by("no circulating");
        assert!(circulating.one_end.1 < circulating.other_end.1);
        let dial = by("contacts below");
        // in a ring each finger moves on its own side, and N takes half of all; mirrored the finger ahead makes all four
        assert!((dial.other_end.1 / dial.one_end.1 - 2.0).abs() < 1e-3, "{dial:?}");
    }
}
