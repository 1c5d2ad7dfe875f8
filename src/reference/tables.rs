//! Reading the line tables.

use super::{LampFeature, Species};
use crate::Result;
use std::path::Path;

/// All line tables: species in a fixed order, and the lamp's features.
#[derive(Debug, Clone)]
pub struct Tables {
    species: Vec<Species>,
    lamp: Vec<LampFeature>,
}

impl Tables {
    /// The tables that are built into the program.
    ///
    /// # Errors
    /// [`crate::Error::Input`] where a bundled table is damaged (a defect of the build).
    pub fn bundled() -> Result<Self> {
        todo!()
    }

    /// The bundled tables with the files of `folder` replacing those of the same name and adding
    /// the others.
    ///
    /// # Errors
    /// [`crate::Error::Read`] and [`crate::Error::Input`] with file and line.
    pub fn with_folder(_folder: &Path) -> Result<Self> {
        todo!()
    }

    /// All species: atoms and ions by name, then molecules.
    pub fn species(&self) -> &[Species] {
        &self.species
    }

    /// A species by its spectroscopic name.
    pub fn get(&self, name: &str) -> Option<&Species> {
        self.species.iter().find(|s| s.name == name)
    }

    /// Features of the fluorescent lamp, ascending in wavelength.
    pub fn lamp(&self) -> &[LampFeature] {
        &self.lamp
    }
}
