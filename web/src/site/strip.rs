//! A trend drawn by the server: a strip of lines on one time axis, for readers without script and for paper.

/// Width of the drawing; lines use 0 to 720 of it.
const WIDTH: f64 = 720.0;
/// Height of the drawing.
const HEIGHT: f64 = 120.0;

/// One quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// What it is, with its unit.
    pub title: &'static str,
    /// One a regulator.
    pub lines: Vec<Line>,
    /// Heights of the limits drawn across, in the drawing's units.
    pub limits: Vec<f64>,
    /// The control's band: upper edge and height.
    pub band: Option<(f64, f64)>,
    /// Value at the top.
    pub top: String,
    /// Value at the bottom.
    pub bottom: String,
    /// First and last instant, on the site's clock.
    pub from: String,
    /// The end of it.
    pub to: String,
}

/// One regulator's line, in pieces: a gap in the data is a gap in the drawing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The phase.
    pub name: String,
    /// Each piece as the points of a polyline.
    pub pieces: Vec<String>,
}

/// What one strip is drawn from.
#[derive(Debug, Clone)]
pub struct Values<'a> {
    /// Name of each line.
    pub names: &'a [String],
    /// For each line: place on the time axis, 0 to 1, and value.
    pub lines: &'a [Vec<(f64, Option<f64>)>],
    /// Values to mark.
    pub limits: &'a [f64],
    /// The band, low and high.
    pub band: Option<(f64, f64)>,
    /// Hold each value up to the next: taps do not glide.
    pub steps: bool,
    /// Decimals of the labels.
    pub decimals: usize,
}

impl Strip {
    /// Draws one.
    #[must_use]
    pub fn draw(title: &'static str, values: &Values<'_>, from: &str, to: &str) -> Self {
        let marks = values.limits.iter().copied().chain(values.band.into_iter().flat_map(|(a, b)| [a, b]));
        let data = values.lines.iter().flatten().filter_map(|(_, v)| *v);
        let (low, high) = bounds(data.chain(marks));
        let height = |v: f64| round((high - v) / (high - low) * HEIGHT);
        let label = |v: f64| crate::board::number(v, values.decimals, "");
        Self {
            title,
            lines: values
                .names
                .iter()
                .zip(values.lines)
                .map(|(name, points)| Line {
                    name: name.clone(),
                    pieces: pieces(points, height, values.steps),
                })
                .collect(),
            limits: values.limits.iter().map(|v| height(*v)).collect(),
            band: values.band.map(|(low, high)| (height(high), round(height(low) - height(high)))),
            top: label(high),
            bottom: label(low),
            from: from.to_owned(),
            to: to.to_owned(),
        }
    }
}

/// Lowest and highest with a little room, never nothing.
fn bounds(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let room = ((high - low) * 0.05).max(0.5);
    (low - room, high + room)
}

fn pieces(points: &[(f64, Option<f64>)], height: impl Fn(f64) -> f64, steps: bool) -> Vec<String> {
    let mut pieces = Vec::new();
    let mut piece = String::new();
    let mut before: Option<f64> = None;
    for (at, value) in points {
        match value {
            Some(value) => {
                let (x, y) = (round(at * WIDTH), height(*value));
                if let Some(before) = before.filter(|_| steps) {
                    piece.push_str(&format!("{x},{before} "));
                }
                piece.push_str(&format!("{x},{y} "));
                before = Some(y);
            }
            None => {
                before = None;
                if !piece.is_empty() {
                    pieces.push(std::mem::take(&mut piece));
                }
            }
        }
    }
    if !piece.is_empty() {
        pieces.push(piece);
    }
    pieces
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values<'a>(names: &'a [String], lines: &'a [Vec<(f64, Option<f64>)>], steps: bool) -> Values<'a> {
        Values { names, lines, limits: &[], band: None, steps, decimals: 0 }
    }

    #[test]
    fn a_gap_in_the_data_is_a_gap_in_the_line() {
        let names = ["A".to_owned()];
        let lines = [vec![(0.0, Some(0.0)), (0.25, Some(10.0)), (0.5, None), (1.0, Some(0.0))]];
        let strip = Strip::draw("x", &values(&names, &lines, false), "", "");
        assert_eq!(strip.lines[0].pieces, ["0,114.5 180,5.5 ", "720,114.5 "]);
    }

    #[test]
    fn taps_step() {
        let names = ["A".to_owned()];
        let lines = [vec![(0.0, Some(0.0)), (1.0, Some(10.0))]];
        let strip = Strip::draw("x", &values(&names, &lines, true), "", "");
        assert_eq!(strip.lines[0].pieces, ["0,114.5 720,114.5 720,5.5 "]);
    }

    #[test]
    fn nothing_to_draw_is_no_fault() {
        let strip = Strip::draw("x", &values(&[], &[], false), "", "");
        assert_eq!((strip.top.as_str(), strip.bottom.as_str()), ("1", "0"));
    }
}
