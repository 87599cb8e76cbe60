//! The profiles that a fleet file may name: those that come with the program and those of a folder.

use std::{collections::BTreeMap, path::Path};

use anyhow::{Context, Result, anyhow, ensure};

use crate::profile::Profile;

/// Profiles by name, each with its source.
#[derive(Debug, Clone)]
pub struct ProfileSet(BTreeMap<String, (String, Profile)>);

impl ProfileSet {
    /// Those that come with the program.
    ///
    /// # Panics
    /// When one of them is wrong, which a test excludes.
    #[must_use]
    pub fn shipped() -> Self {
        let read = |shipped: &crate::profile::Shipped| {
            let profile = shipped.profile().expect("a test reads every shipped profile");
            (shipped.name.to_owned(), (shipped.source.to_owned(), profile))
        };
        Self(Profile::shipped().iter().map(read).collect())
    }

    /// Adds every `.toml` file of a folder, by its name without the ending. One of the name of a shipped profile takes its
    /// place.
    ///
    /// # Errors
    /// When the folder cannot be read, or a profile is wrong: every fault of every file, with line and remedy.
    pub fn with_folder(mut self, folder: &Path) -> Result<Self> {
        let entries = std::fs::read_dir(folder)
            .with_context(|| format!("reading the profiles in {}", folder.display()))?;
        let mut wrong = Vec::new();
        for entry in entries {
            let path = entry?.path();
            if path.extension().is_none_or(|ending| ending != "toml") {
                continue;
            }
            let shown = path.display().to_string();
            let source = std::fs::read_to_string(&path).with_context(|| format!("reading {shown}"))?;
            let name = path.file_stem().and_then(|s| s.to_str());
            let name = name.ok_or_else(|| anyhow!("{shown}: the name is not in UTF-8; rename the file"))?;
            match Profile::parse(&shown, &source) {
                Ok(profile) => drop(self.0.insert(name.to_owned(), (source, profile))),
                Err(errors) => wrong.push(errors.to_string()),
            }
        }
        wrong.sort();
        ensure!(wrong.is_empty(), "{}", wrong.join("\n"));
        Ok(self)
    }

    /// The profile of this name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Profile> {
        self.0.get(name).map(|(_, profile)| profile)
    }

    /// The text of the profile of this name.
    #[must_use]
    pub fn source(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(|(source, _)| source.as_str())
    }

    /// All names, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }
}
