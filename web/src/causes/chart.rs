//! Operations by cause over time, drawn by the server: a column a day (or week, or month), stacked in patterns, lettered where
//! there is room. The same numbers stand in a table for those who do not see it.

use regulator::causes::{Cause, Shares};

/// Width of the drawing.
const WIDTH: f64 = 720.0;
/// Height of the drawing.
const HEIGHT: f64 = 120.0;
/// Room that a letter needs.
const LETTER: f64 = 13.0;

/// The drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Every piece of every column.
    pub pieces: Vec<Piece>,
    /// The causes in it, for the legend.
    pub causes: Vec<Cause>,
    /// Operations at the top.
    pub top: u64,
    /// First and last column's name.
    pub from: String,
    /// The end of it.
    pub to: String,
}

/// The operations of one cause in one column.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The cause: names the pattern.
    pub cause: Cause,
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// In words: "2026-10-03: hunting 12 of 40".
    pub words: String,
}

impl Piece {
    /// Where its letter stands, if there is room for it.
    #[must_use]
    pub fn letter_at(&self) -> Option<(f64, f64)> {
        let fits = self.width >= LETTER && self.height >= LETTER;
        fits.then(|| (round(self.x + self.width / 2.0), round(self.y + self.height / 2.0 + 4.0)))
    }
}

/// The letter of a cause, beside its pattern.
#[must_use]
pub const fn letter(cause: Cause) -> &'static str {
    match cause {
        Cause::Load => "L",
        Cause::Source => "S",
        Cause::Clouds => "C",
        Cause::Hunting => "H",
        Cause::Upstream => "U",
        Cause::Setting => "T",
        Cause::Exercise => "E",
        Cause::Manual => "M",
        Cause::Unexplained => "?",
    }
}

impl Chart {
    /// Draws columns in order of time; nothing where there was no operation at all.
    #[must_use]
    pub fn draw(columns: &[(String, Shares)]) -> Option<Self> {
        let top = columns.iter().map(|(_, shares)| shares.total()).max().filter(|top| *top > 0)?;
        let step = WIDTH / float(columns.len() as u64);
        let width = (step * 0.86).min(60.0);
        let mut pieces = vec![];
        for (i, (name, shares)) in columns.iter().enumerate() {
            let x = step * float(i as u64) + (step - width) / 2.0;
            let mut y = HEIGHT;
            for &cause in Cause::ALL.iter().filter(|cause| shares.operations(**cause) > 0) {
                let n = shares.operations(cause);
                let height = float(n) / float(top) * HEIGHT;
                y -= height;
                pieces.push(Piece {
                    cause,
                    x: round(x),
                    y: round(y),
                    width: round(width),
                    height: round(height),
                    words: format!("{name}: {} {n} of {}", cause.title(), shares.total()),
                });
            }
        }
        let all: Shares = columns.iter().map(|(_, shares)| *shares).sum();
        let end =
            |column: Option<&(String, Shares)>| column.map(|(name, _)| name.clone()).unwrap_or_default();
        Some(Self {
            pieces,
            causes: Cause::ALL.iter().copied().filter(|cause| all.operations(*cause) > 0).collect(),
            top,
            from: end(columns.first()),
            to: end(columns.last()),
        })
    }
}

#[allow(clippy::cast_precision_loss, reason = "counts and places of columns")]
const fn float(n: u64) -> f64 {
    n as f64
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_stacked_to_the_highest_and_lettered_where_there_is_room() {
        let mut one = Shares::default();
        one.tally(Cause::Load, 30, 20.0, 0);
        one.tally(Cause::Hunting, 10, 9.0, 10);
        let mut two = Shares::default();
        two.tally(Cause::Load, 1, 0.5, 0);
        let chart = Chart::draw(&[("Mon".into(), one), ("Tue".into(), two)]).unwrap();
        assert_eq!((chart.top, chart.pieces.len()), (40, 3));
        let [load, hunting, small] = &chart.pieces[..] else { panic!("three pieces") };
        assert_eq!((load.y, load.height), (30.0, 90.0));
        assert_eq!((hunting.y, hunting.height), (0.0, 30.0));
        assert_eq!(hunting.words, "Mon: hunting 10 of 40");
        assert!(hunting.letter_at().is_some() && small.letter_at().is_none(), "3 units high");
        assert_eq!(chart.causes, [Cause::Load, Cause::Hunting]);
        assert_eq!(Chart::draw(&[("Mon".into(), Shares::default())]), None);
    }

    #[test]
    fn every_cause_has_a_letter_of_its_own() {
        let letters: std::collections::BTreeSet<_> = Cause::ALL.iter().map(|c| letter(*c)).collect();
        assert_eq!(letters.len(), Cause::COUNT);
    }
}
