//! A drawer of recordings from one file: the instrument, and for each recording its scene, seed
//! and text habit, with the truth beside it.

use super::export::{Habit, export_text};
use super::instrument::Instrument;
use super::record;
use super::scene::Scene;
use crate::reference::Tables;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::Path;

/// All recordings of one instrument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Recipe {
    /// What this drawer is.
    #[serde(default)]
    pub title: String,
    /// What to know about it.
    #[serde(default)]
    pub remarks: String,
    /// The instrument that all recordings are made with.
    #[serde(default)]
    pub instrument: Instrument,
    /// The recordings.
    #[serde(default)]
    pub item: Vec<Item>,
}

/// One recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Item {
    /// Short name, as on the bench sheet.
    pub name: String,
    /// File to write, a plain name without a folder.
    pub file: String,
    /// Seed of the recording.
    pub seed: u64,
    /// What it is in truth, one sentence.
    pub truth: String,
    /// Gases whose light is in it, by the tables' gas names (`Ne`, `Hg`), traces included.
    #[serde(default)]
    pub gases: Vec<String>,
    /// Gases of [`Item::gases`] too faint to be asked for: naming them is right, missing them no
    /// error.
    #[serde(default)]
    pub faint: Vec<String>,
    /// What its owner tells about it.
    #[serde(default)]
    pub story: String,
    /// Title line of the export, where its habit has one.
    #[serde(default)]
    pub title: String,
    /// Exposure as the export tells it, ms (the light is set by the scene).
    #[serde(default)]
    pub exposure_ms: Option<f64>,
    /// Habit of the export text.
    #[serde(default)]
    pub habit: Habit,
    /// The light.
    #[serde(default)]
    pub scene: Scene,
}

impl Recipe {
    /// A recipe from its TOML text; `path` is named in messages only.
    ///
    /// # Errors
    /// [`Error::Input`] with the line of what is wrong.
    pub fn from_text(text: &str, path: &Path) -> Result<Self> {
        toml::from_str(text).map_err(|e| {
            let line = e
                .span()
                .map(|s| 1 + text.as_bytes().iter().take(s.start).filter(|b| **b == b'\n').count());
            Error::input(
                path,
                line,
                e.message().replace('\n', " "),
                "see demo-spectra/recipe.toml for the form of a recipe",
            )
        })
    }

    /// A recipe from its file.
    ///
    /// # Errors
    /// [`Error::Read`] and [`Error::Input`].
    pub fn load(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| Error::Read { path: path.into(), source })?;
        Recipe::from_text(&text, path)
    }

    /// Checks names and files (the rest is checked where it is used).
    ///
    /// # Errors
    /// [`Error::Usage`] for an empty or repeated name or file, or a file name with a folder.
    pub fn check(&self) -> Result<()> {
        let mut names = BTreeSet::new();
        let mut files = BTreeSet::new();
        for item in &self.item {
            if item.name.trim().is_empty() || !names.insert(&item.name) {
                return Err(Error::usage(
                    format!("item \"{}\": its name is empty or not the only one", item.name),
                    "give every item a name of its own",
                ));
            }
            // Written by whoever wrote the recipe, but into the folder of whoever runs it.
            let plain = !item.file.is_empty()
                && !item.file.starts_with('.')
                && item
                    .file
                    .chars()
                    .all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'));
            if !plain {
                return Err(Error::usage(
                    format!("item \"{}\": \"{}\" is no plain file name", item.name, item.file),
                    "use letters, digits, - _ and . only, and no folder",
                ));
            }
            // Names that differ by case only are one file on some systems.
            if !files.insert(item.file.to_ascii_lowercase()) {
                return Err(Error::usage(
                    format!("item \"{}\": file \"{}\" is used twice", item.name, item.file),
                    "give every item a file of its own",
                ));
            }
        }
        Ok(())
    }
}

/// Makes all recordings of a recipe: file name and content, in the order of the recipe. Writing
/// them is left to the caller. Same recipe and tables, same bytes.
///
/// # Errors
/// [`Error::Usage`] with the item's name in front of what [`record`] or [`export_text`] refuses.
pub fn make_all(recipe: &Recipe, tables: &Tables) -> Result<Vec<(String, Vec<u8>)>> {
    recipe.check()?;
    recipe
        .item
        .iter()
        .map(|item| {
            let spectrum = record(&recipe.instrument, &item.scene, tables, item.seed)
                .map_err(|e| within(item, e))?;
            let mut facts = vec![("Instrument".to_string(), recipe.instrument.name.clone())];
            if let Some(ms) = item.exposure_ms {
                facts.push(("Integration time (ms)".to_string(), ms.to_string()));
            }
            facts.push(("Averages".to_string(), item.scene.averages.to_string()));
            let bytes = export_text(&spectrum, &item.habit, &item.title, &facts)
                .map_err(|e| within(item, e))?;
            Ok((item.file.clone(), bytes))
        })
        .collect()
}

/// The item's name in front of a message about its settings.
fn within(item: &Item, e: Error) -> Error {
    match e {
        Error::Usage { what, remedy } => {
            Error::Usage { what: format!("item \"{}\": {what}", item.name), remedy }
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = r#"
title = "two"
[instrument]
pixels = 64
[instrument.dispersion.polynomial]
first-nm = 560.0
nm-per-px = 2.0
nm-per-px2 = 0.0

[[item]]
name = "a"
file = "a.csv"
seed = 1
truth = "neon"
[[item.scene.glow]]
species = "Ne I"

[[item]]
name = "b"
file = "b.txt"
seed = 2
truth = "helium"
exposure-ms = 12.5
[item.habit]
header = "preamble"
separator = "tab"
[[item.scene.glow]]
species = "He I"
"#;

    fn made(text: &str) -> Result<Vec<(String, Vec<u8>)>> {
        let recipe = Recipe::from_text(text, Path::new("r.toml"))?;
        make_all(&recipe, &Tables::bundled()?)
    }

    #[test]
    fn a_recipe_makes_its_files_the_same_each_time() {
        let files = made(SMALL).unwrap();
        assert_eq!(files.iter().map(|f| f.0.as_str()).collect::<Vec<_>>(), ["a.csv", "b.txt"]);
        assert_eq!(files, made(SMALL).unwrap());
        let text = String::from_utf8(files[1].1.clone()).unwrap();
        assert!(text.contains("Integration time (ms): 12.5\n"));
        assert_eq!(text.lines().filter(|l| l.contains('\t')).count(), 65, "names and 64 rows");
    }

    #[test]
    fn messages_name_line_or_item() {
        let e = made(&SMALL.replace("seed = 1", "seat = 1")).unwrap_err().to_string();
        assert!(e.starts_with("r.toml, line ") && e.contains("seat"), "{e}");
        let e = made(&SMALL.replace("He I", "Hee I")).unwrap_err().to_string();
        assert!(e.starts_with("item \"b\"") && e.contains("He I"), "{e}");
    }

    #[test]
    fn file_names_stay_in_the_folder() {
        for bad in ["../a.csv", "/a.csv", "", ".hidden", "b.txt", "B.TXT", "a b"] {
            let e = made(&SMALL.replace("a.csv", bad)).unwrap_err().to_string();
            assert!(e.contains("item"), "{bad}: {e}");
        }
    }
}
