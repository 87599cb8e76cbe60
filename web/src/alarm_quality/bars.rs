//! Counts as bars, drawn by the server, with the standard's figures as lines across.

/// Width of the drawing.
const WIDTH: f64 = 720.0;
/// Height of the drawing.
const HEIGHT: f64 = 120.0;

/// One bar.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// In words: "2026-10-03: 41".
    pub words: String,
}

/// The drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Bars {
    /// What it shows.
    pub title: &'static str,
    /// The bars, in order; none where the count is zero.
    pub bars: Vec<Bar>,
    /// Lines across: height and words.
    pub limits: Vec<(f64, String)>,
    /// Value at the top.
    pub top: String,
    /// Name of the first column.
    pub from: String,
    /// Name of the last.
    pub to: String,
    /// The highest in words, for those who do not see it.
    pub highest: String,
}

impl Bars {
    /// Draws counts with their names; limits beyond the drawing are left out, one just above it makes room for itself.
    #[must_use]
    pub fn draw(title: &'static str, counts: &[(String, f64)], limits: &[(f64, &str)]) -> Self {
        let highest = counts.iter().map(|(_, n)| *n).fold(0.0, f64::max);
        let room =
            limits.iter().map(|(v, _)| *v).filter(|v| *v <= 2.0 * highest.max(1.0)).fold(highest, f64::max);
        let top = (room * 1.05).max(1.0);
        #[allow(clippy::cast_precision_loss, reason = "a few hundred columns")]
        let step = WIDTH / counts.len().max(1) as f64;
        let width = (step * 0.8).min(40.0);
        let height = |v: f64| v / top * HEIGHT;
        #[allow(clippy::cast_precision_loss, reason = "a few hundred columns")]
        let bar = |(i, (name, n)): (usize, &(String, f64))| Bar {
            x: round(step * i as f64 + (step - width) / 2.0),
            y: round(HEIGHT - height(*n)),
            width: round(width),
            height: round(height(*n)),
            words: format!("{name}: {}", said(*n)),
        };
        let name = |column: Option<&(String, f64)>| column.map(|c| c.0.clone()).unwrap_or_default();
        let most = counts.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        Self {
            title,
            bars: counts.iter().enumerate().filter(|(_, (_, n))| *n > 0.0).map(bar).collect(),
            limits: limits
                .iter()
                .filter(|(v, _)| *v <= top)
                .map(|(v, words)| (round(HEIGHT - height(*v)), (*words).to_owned()))
                .collect(),
            top: said(top.floor()),
            from: name(counts.first()),
            to: name(counts.last()),
            highest: most.map_or_else(String::new, |(name, n)| format!("most {}, {name}", said(*n))),
        }
    }
}

fn said(value: f64) -> String {
    crate::words::plain((value * 10.0).round() / 10.0)
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_stand_on_the_ground_and_a_near_limit_is_in_the_picture() {
        let counts = [("Mon".to_owned(), 100.0), ("Tue".to_owned(), 0.0), ("Wed".to_owned(), 50.0)];
        let bars = Bars::draw("Alarms", &counts, &[(150.0, "acceptable"), (300.0, "most")]);
        assert_eq!(bars.bars.len(), 2, "nothing is drawn of nothing");
        for bar in &bars.bars {
            assert!((bar.y + bar.height - HEIGHT).abs() < 0.11, "{bar:?}");
        }
        assert!((bars.bars[0].height / bars.bars[1].height - 2.0).abs() < 0.01);
        assert_eq!(bars.limits.len(), 1, "300 would make the rest too small to see");
        assert!(bars.limits[0].0 < bars.bars[0].y, "the limit lies above");
        assert_eq!(
            (bars.from.as_str(), bars.to.as_str(), bars.highest.as_str()),
            ("Mon", "Wed", "most 100, Mon")
        );
    }
}
