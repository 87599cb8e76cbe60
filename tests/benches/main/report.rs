//! Tables and order statistics.

/// A table with a title, printed with aligned columns.
#[derive(Debug)]
pub(crate) struct Table {
    title: String,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table whose first row is `header`.
    pub(crate) fn new(title: &str, header: &[&str]) -> Self {
        Self { title: title.to_owned(), rows: vec![header.iter().map(ToString::to_string).collect()] }
    }

    /// Adds a row.
    pub(crate) fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(cells.into());
    }

    /// Prints it.
    pub(crate) fn print(&self) {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |c: usize| {
            self.rows.iter().filter_map(|r| r.get(c)).map(|s| s.chars().count()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        println!("\n{}", self.title);
        for row in &self.rows {
            let cells: Vec<String> = row.iter().zip(&widths).map(|(cell, w)| format!("{cell:<w$}")).collect();
            println!("  {}", cells.join("  ").trim_end());
        }
    }
}

/// The value below which `share` (0 to 1) of the values lie; NaN of none.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index"
    )]
    let index = ((sorted.len() as f64 * share).ceil() as usize).saturating_sub(1);
    sorted.get(index).copied().unwrap_or(f64::NAN)
}

/// Says whether a promise was kept.
pub(crate) fn verdict(kept: bool) -> String {
    if kept { "kept" } else { "NOT KEPT" }.to_owned()
}
