//! Tables as files (RFC 4180), for spreadsheets.

use axum::{
    http::{HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::trend::field;
use crate::error::WebError;

/// A file that grows line by line.
#[derive(Debug, Default)]
pub(super) struct Csv {
    text: String,
}

impl Csv {
    /// With its heads.
    pub(super) fn new<T: AsRef<str>>(heads: impl IntoIterator<Item = T>) -> Self {
        let mut csv = Self::default();
        csv.line(heads);
        csv
    }

    /// One more line; what is not known is an empty field.
    pub(super) fn line<T: AsRef<str>>(&mut self, fields: impl IntoIterator<Item = T>) {
        for (i, text) in fields.into_iter().enumerate() {
            if i > 0 {
                self.text.push(',');
            }
            self.text.push_str(&disarmed(text.as_ref()));
        }
        self.text.push_str("\r\n");
    }

    /// The answer to a browser that wants it as this file.
    pub(super) fn answer(self, name: &str) -> Result<Response, WebError> {
        let disposition = HeaderValue::try_from(format!("attachment; filename=\"{name}\""))
            .map_err(anyhow::Error::new)
            .map_err(WebError::Internal)?;
        let kind = HeaderValue::from_static("text/csv; charset=utf-8");
        Ok(([(header::CONTENT_TYPE, kind), (header::CONTENT_DISPOSITION, disposition)], self.text)
            .into_response())
    }
}

/// Numbers keep their sign; any other text is made harmless.
fn disarmed(text: &str) -> String {
    if text.parse::<f64>().is_ok() { text.to_owned() } else { field(text) }
}

/// A value with so many decimals, or nothing.
pub(super) fn decimal(value: Option<f64>, decimals: usize) -> String {
    value.filter(|v| v.is_finite()).map_or_else(String::new, |v| format!("{v:.decimals$}"))
}

/// A value as it is, or nothing.
pub(super) fn plain<T: ToString>(value: Option<T>) -> String {
    value.map_or_else(String::new, |v| v.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_their_sign_and_formulas_are_disarmed() {
        let mut csv = Csv::new(["a", "b"]);
        csv.line(["-3", "=1+1"]);
        csv.line(["+4 V, later", ""]);
        assert_eq!(csv.text, "a,b\r\n-3,'=1+1\r\n\"'+4 V, later\",\r\n");
        assert_eq!(
            (decimal(Some(1.25), 1).as_str(), decimal(None, 1).as_str(), plain(Some(3)).as_str()),
            ("1.2", "", "3")
        );
    }
}
