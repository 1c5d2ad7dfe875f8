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
    fn from_files(files: Vec<TableFile>, mut notes: Vec<String>) -> Result<Self> {
        let mut gathered = Gathered::default();
        for file in &files {
            read_table(file, &mut gathered)?;
        }
        let Gathered { mut species, lamp, notes: remarks, .. } = gathered;
        notes.extend(remarks);
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

    /// Which bundled tables a user's folder replaced, which it added, and which of its columns
    /// are not known; empty for [`Tables::bundled`].
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
    use proptest::prelude::*;

    #[test]
    fn bundled_tables_are_read_whole() {
        let tables = Tables::bundled().unwrap();
        let lines: usize = tables.species().iter().map(|s| s.lines.len()).sum();
        let bands: usize = tables.species().iter().map(|s| s.bands.len()).sum();
        assert_eq!((lines, bands, tables.lamp().len()), (4627, 283, 68));
        let molecules = tables.species().iter().filter(|s| s.kind == SpeciesKind::Molecule);
        assert_eq!((tables.species().len(), molecules.count()), (79, 36));
        assert!(tables.notes().is_empty());
    }

    #[test]
    fn every_table_of_the_folder_is_bundled() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("line-tables");
        let names: Vec<_> = tables_in(&folder)
            .unwrap()
            .iter()
            .map(|p| p.file_name().unwrap().to_string_lossy().into_owned())
            .collect();
        assert_eq!(names, BUNDLED.iter().map(|(name, _)| *name).collect::<Vec<_>>());
        // Every file replaced by itself: the same tables, the same digest.
        let replaced = Tables::with_folder(&folder).unwrap();
        let bundled = Tables::bundled().unwrap();
        assert_eq!(replaced.species(), bundled.species());
        assert_eq!(replaced.lamp(), bundled.lamp());
        assert_eq!(replaced.digest(), bundled.digest());
        assert_eq!(replaced.notes().len(), BUNDLED.len());
    }

    /// Tables with one more file of that name and content.
    fn with_file(name: &str, content: impl AsRef<[u8]>) -> Result<Tables> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(name), content).unwrap();
        Tables::with_folder(folder.path())
    }

    #[test]
    fn a_table_of_the_same_name_replaces() {
        let text = "# own = measured by us\n\
            species,wavelength_air_nm,source\n\
            Ne I,640.3,own\nNe I,585.2,\"book, page 3\"\n";
        let tables = with_file("neon.csv", text).unwrap();
        let neon = tables.get("Ne I").unwrap();
        let seen: Vec<_> = neon.lines.iter().map(|l| (l.wavelength_nm, &*l.source)).collect();
        assert_eq!(seen, [(585.2, "book, page 3"), (640.3, "measured by us")]);
        assert!(tables.get("Ne II").is_none(), "the bundled neon is gone");
        assert!(tables.get("Ar I").is_some(), "the others stay");
        assert!(tables.notes()[0].starts_with("table neon.csv replaced by"));
        assert_ne!(tables.digest(), Tables::bundled().unwrap().digest());
    }

    #[test]
    fn another_table_adds_species_and_lines() {
        let text = "species,wavelength_air_nm\nSr II,407.771\nSr II,421.552\nNe I,600.0\n";
        let tables = with_file("mine.csv", text).unwrap();
        let strontium = tables.get("Sr II").unwrap();
        assert_eq!((strontium.gas.as_str(), strontium.kind), ("Sr", SpeciesKind::Ion));
        assert_eq!(strontium.lines.len(), 2);
        let bundled = Tables::bundled().unwrap();
        let grown = tables.get("Ne I").unwrap().lines.len();
        assert_eq!(grown, bundled.get("Ne I").unwrap().lines.len() + 1);
        assert!(tables.notes()[0].ends_with("mine.csv added"), "{:?}", tables.notes());
    }

    #[test]
    fn the_example_of_the_readme_is_read() {
        let readme = include_str!("../../line-tables/README.md");
        let (_, rest) = readme.split_once("```csv\n").unwrap();
        let (example, _) = rest.split_once("```").unwrap();
        assert_eq!(with_file("mine.csv", example).unwrap().get("Sr II").unwrap().lines.len(), 2);
    }

    #[test]
    fn wrong_rows_are_refused_with_file_and_line() {
        let lines = "species,wavelength_air_nm,a_per_s,e_lower_per_cm,e_upper_per_cm,ion_stage\n";
        let bands = "molecule,system,gas,head_air_nm,shading\n";
        let lamp = "feature,species,wavelength_air_nm,u_nm,kind,anchor\n";
        let cases = [
            // (head, rows, line of the fault, what the message has to name)
            (lines, "Ne I,640.2,,,,\nNe I,64o,,,,\n", 3, "`64o`, which is not a number"),
            (lines, "\n# remark\n\nNe I,,,,,\n", 5, "wavelength_air_nm is empty"),
            (lines, "Ne I,6402.2,,,,\n", 2, "outside 10 to 3000"),
            (lines, "Ne I,640.3,-1,,,\n", 2, "a_per_s holds -1"),
            (lines, "Ne I,640.3,NaN,,,\n", 2, "`NaN`"),
            (lines, "Ne I,640.3,,200,100,\n", 2, "is not below"),
            (lines, "Ne I,640.3,,,,2\n", 2, "does not fit the species Ne I"),
            (lines, "neon,640.3,,,,\n", 2, "`neon` is not the name"),
            (lines, "Ne I,640.3\n", 2, "has 2 fields, the head has 6"),
            (lines, "Ne I,640.3,,,,\r\nNe I,640.3,,,,\r\n", 3, "640.3 nm twice"),
            (bands, "N2,C-B,N2,337.2,purple\n", 2, "shading `purple`"),
            (bands, "N2,C-B,H,337.2,violet\n", 2, "counts under N2 and under H"),
            (lamp, "Hg,Hg I,546.0,,mercury,yes\n", 2, "u_nm is empty"),
            (lamp, "Hg,Hg I,546.0,0.1,mercury,perhaps\n", 2, "anchor `perhaps`"),
            (lamp, "Hg,Hg I,546.0,0.1,gas,yes\n", 2, "kind `gas`"),
            ("species,species\n", "Ne I,Ne I\n", 1, "column `species` twice"),
            ("species;wavelength_air_nm\n", "Ne I;640.2\n", 1, "no column `species`"),
        ];
        for (head, rows, line, what) in cases {
            let message = with_file("mine.csv", format!("{head}{rows}")).unwrap_err().to_string();
            assert!(message.contains(&format!("mine.csv, line {line}: ")), "{message}");
            assert!(message.contains(what), "{what}: {message}");
        }
    }

    #[test]
    fn files_that_are_no_tables_are_refused() {
        let message = with_file("mine.csv", b"species,wavelength_air_nm\nNe I\xff,6\n");
        assert!(message.unwrap_err().to_string().contains("line 2: the text is not UTF-8"));
        let message = with_file("mine.csv", "# nothing\n").unwrap_err().to_string();
        assert!(message.contains("no head of columns"), "{message}");
        let message = with_file("mine.txt", "").unwrap_err().to_string();
        assert!(message.contains("holds no table"), "{message}");
        let missing = Tables::with_folder(Path::new("/no/such/folder")).unwrap_err();
        assert!(matches!(missing, Error::Read { .. }), "{missing}");
    }

    #[test]
    fn a_slip_in_the_name_of_a_column_is_noted() {
        let tables = with_file("mine.csv", "species,wavelength_air_nm,a_per_sec\nSr I,460.7,1\n");
        let notes = tables.unwrap().notes().join("\n");
        assert!(notes.contains("mine.csv: the column `a_per_sec` is not known"), "{notes}");
    }

    #[test]
    fn a_byte_order_mark_is_no_part_of_the_head() {
        let text = "\u{feff}# k = text\nspecies,wavelength_air_nm,note\nSr I,460.733,k\n";
        let tables = with_file("mine.csv", text).unwrap();
        assert_eq!(tables.get("Sr I").unwrap().lines[0].note, "text");
    }

    #[test]
    fn neighbours_come_nearest_first() {
        let tables = Tables::bundled().unwrap();
        // The classic confusion: He 587.562, Ne 588.190, Na 588.995 nm.
        let near = tables.lines_near(588.0, 1.0);
        for pair in near.windows(2) {
            assert!(pair[0].offset_nm.abs() <= pair[1].offset_nm.abs());
        }
        for name in ["He I", "Ne I", "Na I"] {
            assert!(near.iter().any(|n| n.species.name == name), "{name}");
        }
        assert!(near.iter().all(|n| n.offset_nm.abs() <= 1.0));
        let band = tables.lines_near(337.1, 0.1);
        assert!(band.iter().any(|n| n.species.name == "N2 (C-B)"));
        assert!(tables.lines_near(f64::NAN, 1.0).is_empty());
        assert!(tables.lines_near(588.0, -1.0).is_empty());
    }

    #[test]
    fn digest_is_sha256_and_steady() {
        let tables = Tables::bundled().unwrap();
        assert_eq!(tables.digest().len(), 64);
        assert_eq!(tables.digest(), Tables::bundled().unwrap().digest());
    }

    #[test]
    fn a_row_of_a_tab_is_refused_with_its_line() {
        let e = with_file("mine.csv", "species,wavelength_air_nm\n\t\n").unwrap_err().to_string();
        assert!(e.contains("mine.csv, line 2: "), "{e}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn any_text_is_read_or_refused_with_its_name(text in ".{0,200}") {
            if let Err(error) = with_file("mine.csv", &text) {
                prop_assert!(error.to_string().contains("mine.csv"));
            }
        }

        #[test]
        fn any_row_is_read_or_refused_with_its_line(row in "[^\r\n\"]{1,60}") {
            let text = format!("species,wavelength_air_nm\n{row}\n");
            if let Err(error) = with_file("mine.csv", &text) {
                prop_assert!(error.to_string().contains("mine.csv, line 2: "), "{error}");
            }
        }

        #[test]
        fn what_was_written_is_what_is_read(
            nm in 200.0..1100.0_f64, a in 1.0..1e9_f64, note in "[a-z ,\"]{0,20}",
        ) {
            let quoted = note.replace('"', "\"\"");
            let text = format!("species,wavelength_air_nm,a_per_s,note\nSr I,{nm},{a},\"{quoted}\"\n");
            let tables = with_file("mine.csv", text).unwrap();
            let line = &tables.get("Sr I").unwrap().lines[0];
            prop_assert_eq!((line.wavelength_nm, line.a_per_s), (nm, Some(a)));
            prop_assert_eq!(&*line.note, note.trim());
        }
    }
}
