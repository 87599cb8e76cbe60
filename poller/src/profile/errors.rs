//! What is wrong with a profile: where, what, and what to do.

/// One fault of a profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileError {
    /// The file, as named by the caller.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// The point that it belongs to, if any.
    pub point: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl std::fmt::Display for ProfileError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}: ", self.file, self.line)?;
        if let Some(point) = &self.point {
            write!(f, "{point}: ")?;
        }
        write!(f, "{}; {}", self.what, self.remedy)
    }
}

/// Everything that is wrong with a profile, in the order of its lines; shown one to a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileErrors(pub Vec<ProfileError>);

impl std::fmt::Display for ProfileErrors {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (i, error) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{error}")?;
        }
        Ok(())
    }
}

impl std::error::Error for ProfileErrors {}

/// Collects faults while a file is read, turning byte offsets into lines.
pub(super) struct Faults<'a> {
    file: &'a str,
    text: &'a str,
    found: Vec<ProfileError>,
}

impl<'a> Faults<'a> {
    pub(super) const fn new(file: &'a str, text: &'a str) -> Self {
        Self { file, text, found: Vec::new() }
    }

    /// The line of a byte offset, from 1.
    pub(super) fn line(&self, offset: usize) -> usize {
        let end = offset.min(self.text.len());
        self.text.as_bytes()[..end].iter().filter(|b| **b == b'\n').count() + 1
    }

    /// Adds a fault at a byte offset.
    pub(super) fn add(
        &mut self,
        offset: usize,
        point: Option<&str>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let line = self.line(offset);
        self.add_at_line(line, point, what, remedy);
    }

    /// Adds a fault at a line.
    pub(super) fn add_at_line(
        &mut self,
        line: usize,
        point: Option<&str>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.found.push(ProfileError {
            file: self.file.to_owned(),
            line,
            point: point.map(str::to_owned),
            what: what.into(),
            remedy: remedy.into(),
        });
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// All faults, in the order of lines.
    pub(super) fn into_errors(mut self) -> ProfileErrors {
        self.found.sort_by_key(|e| e.line);
        ProfileErrors(self.found)
    }
}
