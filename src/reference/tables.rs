//! All tables together: the bundled ones, and a user's folder over them.

use super::read::{Gathered, TableFile, read_table};
use super::{Band, LampFeature, Line, Species, SpeciesKind, Text};
use crate::{Error, Result};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// Largest table that is read, in bytes: many times the whole of the bundled tables.
const LARGEST_TABLE_BYTES: u64 = 16 * 1024 * 1024;

/// The bundled tables, in the order in which they are read.
macro_rules! bundled_tables {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../line-tables/", $name)))),*]
    };
}

/// Name and content of every bundled table.
const BUNDLED: &[(&str, &str)] = bundled_tables![
    "alkalis.csv",
    "argon.csv",
    "bands.csv",
    "carbon-sulphur.csv",
    "electrode-metals.csv",
    "fluorescent-lamp.csv",
    "halogens.csv",
    "helium.csv",
    "hydrogen.csv",
    "krypton.csv",
    "mercury.csv",
    "neon.csv",
    "nitrogen-oxygen.csv",
    "xenon.csv",
];

/// All line tables: species in a fixed order, and the lamp's features.
#[derive(Debug, Clone)]
pub struct Tables {
    species: Vec<Species>,
    lamp: Vec<LampFeature>,
    files: Vec<TableFile>,
    notes: Vec<String>,
}

/// What stands at a wavelength: a line of an atom or a band of a molecule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Feature<'a> {
    /// A line of an atom or ion.
    Line(&'a Line),
    /// A band of a molecule.
    Band(&'a Band),
}

impl Feature<'_> {
    /// Wavelength in nm (air above 200 nm) of the line, of the band's head or of the maximum.
    pub fn wavelength_nm(&self) -> f64 {
        match self {
            Feature::Line(line) => line.wavelength_nm,
            Feature::Band(band) => band.head_nm,
        }
    }
}

/// A line or band near a wavelength that was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Neighbour<'a> {
    /// Whose it is.
    pub species: &'a Species,
    /// The line or band.
    pub feature: Feature<'a>,
    /// Its wavelength less the one asked for, in nm.
    pub offset_nm: f64,
}

impl Tables {
    /// The tables that are built into the program.
    ///
    /// # Errors
    /// [`crate::Error::Input`] where a bundled table is damaged (a defect of the build).
    pub fn bundled() -> Result<Self> {
        Self::from_files(bundled_files(), Vec::new())
    }

    /// The bundled tables with the files of `folder` replacing those of the same name and adding
    /// the others. Only files whose name ends in `.csv` are read, in the order of their names;
    /// what they replaced or added stands in [`Tables::notes`].
    ///
    /// # Errors
    /// [`crate::Error::Read`] where the folder or a file cannot be read,
    /// [`crate::Error::Input`] with file and line where a table is wrong, and where the folder
    /// holds no table at all.
    pub fn with_folder(folder: &Path) -> Result<Self> {
        let mut files = bundled_files();
        let mut notes = Vec::new();
        let paths = tables_in(folder)?;
        if paths.is_empty() {
            return Err(Error::input(
                folder,
                None,
                "the folder holds no table (no file whose name ends in .csv)",
                "name the folder that holds the tables",
            ));
        }
        for path in paths {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let text = Text::Owned(read_text(&path)?);
            let file = TableFile { name, path, text };
            match files.iter_mut().find(|f| f.name == file.name) {
                Some(old) => {
                    notes.push(format!("table {} replaced by {}", file.name, file.path.display()));
                    *old = file;
                }
                None => {
                    notes.push(format!("table {} added", file.path.display()));
                    files.push(file);
                }
            }
        }
        Self::from_files(files, notes)
    }

    /// Reads the files in their order.
    fn from_files(files: Vec<TableFile>, notes: Vec<String>) -> Result<Self> {
        let mut gathered = Gathered::default();
        for file in &files {
            read_table(file, &mut gathered)?;
        }
        let Gathered { mut species, lamp, .. } = gathered;
        let is_molecule = |s: &Species| s.kind == SpeciesKind::Molecule;
        species.sort_by(|a, b| is_molecule(a).cmp(&is_molecule(b)).then(a.name.cmp(&b.name)));
        Ok(Self { species, lamp, files, notes })
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

    /// Lines and bands within `tolerance_nm` of a wavelength in nm (air above 200 nm), the
    /// nearest first; where two are equally near, in the order of [`Tables::species`].
    pub fn lines_near(&self, nm: f64, tolerance_nm: f64) -> Vec<Neighbour<'_>> {
        let (low, high) = (nm - tolerance_nm, nm + tolerance_nm);
        let mut near = Vec::new();
        for species in &self.species {
            let from = species.lines.partition_point(|l| l.wavelength_nm < low);
            let lines = species.lines[from..].iter().take_while(|l| l.wavelength_nm <= high);
            let from = species.bands.partition_point(|b| b.head_nm < low);
            let bands = species.bands[from..].iter().take_while(|b| b.head_nm <= high);
            let features = lines.map(Feature::Line).chain(bands.map(Feature::Band));
            near.extend(features.map(|feature| Neighbour {
                species,
                feature,
                offset_nm: feature.wavelength_nm() - nm,
            }));
        }
        near.sort_by(|a, b| a.offset_nm.abs().total_cmp(&b.offset_nm.abs()));
        near
    }

    /// Which bundled tables a user's folder replaced, and which it added; empty for
    /// [`Tables::bundled`].
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// SHA-256, in hexadecimal, over name and bytes of every table that was read: two results
    /// with the same digest were judged by the same tables. Computed at each call.
    pub fn digest(&self) -> String {
        let mut hash = Sha256::new();
        for file in &self.files {
            // Name and length before the content: no two sets of tables run together.
            hash.update(file.name.as_bytes());
            hash.update([0]);
            hash.update((file.text.len() as u64).to_le_bytes());
            hash.update(file.text.as_bytes());
        }
        hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// The bundled tables as files.
fn bundled_files() -> Vec<TableFile> {
    let file = |&(name, text): &(&str, &'static str)| TableFile {
        name: name.to_string(),
        path: PathBuf::from("line-tables").join(name),
        text: Text::Borrowed(text),
    };
    BUNDLED.iter().map(file).collect()
}

/// The tables in a folder, by name.
fn tables_in(folder: &Path) -> Result<Vec<PathBuf>> {
    let read_error = |source| Error::Read { path: folder.to_path_buf(), source };
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(read_error)? {
        let path = entry.map_err(read_error)?.path();
        if path.extension().is_some_and(|e| e == "csv") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}

/// Text of a table on disk.
fn read_text(path: &Path) -> Result<String> {
    let read_error = |source| Error::Read { path: path.to_path_buf(), source };
    let size = std::fs::metadata(path).map_err(read_error)?.len();
    if size > LARGEST_TABLE_BYTES {
        return Err(Error::input(
            path,
            None,
            format!("the table has {size} bytes, more than {LARGEST_TABLE_BYTES}"),
            "split it, or take it out of the folder",
        ));
    }
    let bytes = std::fs::read(path).map_err(read_error)?;
    String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = 1 + good.iter().filter(|b| **b == b'\n').count();
        Error::input(path, Some(line), "the text is not UTF-8", "save the table as UTF-8")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bundled_tables_are_read_whole() {
        let tables = Tables::bundled().unwrap();
        let lines: usize = tables.species().iter().map(|s| s.lines.len()).sum();
        let bands: usize = tables.species().iter().map(|s| s.bands.len()).sum();
        assert_eq!((lines, bands, tables.lamp().len()), (4627, 283, 68));
        assert_eq!(tables.species().iter().filter(|s| s.lines.is_empty()).count(), 36);
    }
}
