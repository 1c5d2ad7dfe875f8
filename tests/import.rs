//! Whole files through the importer: measured spectra of others where they are at hand.

use glowtell::AxisKind;
use glowtell::import::{ImportSettings, read_file};
use std::path::PathBuf;

/// Folder of measured spectra: `GLOWTELL_SPECTRA`, else beside the project.
fn spectra() -> Option<PathBuf> {
    let folder = std::env::var_os("GLOWTELL_SPECTRA").map(PathBuf::from).unwrap_or_else(|| {
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra")
    });
    folder.join("INDEX.csv").is_file().then_some(folder)
}

#[test]
fn measured_spectra_come_in_with_their_axis() {
    let Some(folder) = spectra() else {
        println!("skipped: no folder of measured spectra (set GLOWTELL_SPECTRA)");
        return;
    };
    let mut index = csv::Reader::from_path(folder.join("INDEX.csv")).unwrap();
    let names: Vec<String> = index.headers().unwrap().iter().map(String::from).collect();
    let column = |n: &str| names.iter().position(|h| h == n).unwrap();
    let (file, axis, points) = (column("file"), column("axis"), column("points"));
    let mut seen = 0;
    for row in index.records() {
        let row = row.unwrap();
        let s = read_file(&folder.join(&row[file]), &ImportSettings::default())
            .unwrap_or_else(|e| panic!("{e}"));
        let expected = if &row[axis] == "pixel" { AxisKind::Pixel } else { AxisKind::Nm };
        assert_eq!(s.axis().kind(), expected, "{}", &row[file]);
        let merged = row[points].parse::<usize>().unwrap() - s.len();
        let noted = s.provenance.notes.iter().any(|n| n.contains("were averaged"));
        assert!(merged == 0 || (merged <= 2 && noted), "{}: {merged}", &row[file]);
        seen += 1;
    }
    assert!(seen > 0);
}

/// Every file of the fuzzers' starting points and of what once went wrong: refused or read, never a
/// panic.
#[test]
fn what_the_fuzzers_start_from_is_read_or_refused() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz");
    let mut read = 0;
    for part in ["corpus", "regressions"] {
        let Ok(targets) = std::fs::read_dir(folder.join(part)) else { continue };
        for target in targets {
            for file in std::fs::read_dir(target.unwrap().path()).unwrap() {
                let path = file.unwrap().path();
                for settings in [
                    ImportSettings::default(),
                    ImportSettings { rows: Some([1, 2]), block: Some(1), ..Default::default() },
                ] {
                    read += usize::from(read_file(&path, &settings).is_ok());
                }
            }
        }
    }
    assert!(read > 20, "{read}");
}
