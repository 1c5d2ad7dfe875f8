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

/// Peak of this process's memory, bytes, where the system tells it.
fn peak_memory() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<usize>().ok().map(|kb| 1024 * kb)
}

/// Reading 200 MB of text takes little more memory than the numbers that come of it: alone in its
/// process, `cargo test --release --test import memory -- --ignored --nocapture`.
#[test]
#[ignore = "writes a file of 200 MB"]
fn memory_of_a_long_text() {
    const BYTES: usize = 200_000_000;
    /// Numbers as the reader grows them: a list that is full moves into one of twice its size.
    const MOST_OVER_RESULT: f64 = 2.0;
    let folder = std::env::temp_dir().join(format!("glowtell-memory-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join("long.csv");
    let mut out = std::io::BufWriter::new(std::fs::File::create(&path).unwrap());
    let (mut bytes, mut points) = (0, 0u32);
    while bytes < BYTES {
        let line = format!("{:.5},{}.5\n", 300.0 + f64::from(points) * 5e-5, 1000 + points % 60000);
        std::io::Write::write_all(&mut out, line.as_bytes()).unwrap();
        bytes += line.len();
        points += 1;
    }
    drop(out);
    let Some(before) = peak_memory() else {
        println!("skipped: this system does not tell a process's memory");
        return;
    };
    let settings = ImportSettings { max_points: points as usize + 1, ..ImportSettings::default() };
    let spectrum = read_file(&path, &settings).unwrap();
    let taken = (peak_memory().unwrap() - before) as f64;
    std::fs::remove_dir_all(&folder).unwrap();
    assert_eq!(spectrum.len(), points as usize);
    let result = (points as usize * (2 * size_of::<f64>() + size_of::<glowtell::Mask>())) as f64;
    println!(
        "{bytes} bytes of text, {points} points: {:.0} MB for a result of {:.0} MB",
        taken / 1e6,
        result / 1e6
    );
    assert!(taken < MOST_OVER_RESULT * result, "{taken} bytes for {result}");
}
