//! How often the library is right on measured spectra whose content is known.
//!
//! `cargo test --release --test score -- --nocapture` prints the table. The folder is
//! `../shared/real-spectra` beside the project, or that of the variable `GLOWTELL_SPECTRA`: any
//! folder with an `INDEX.csv` of the same columns. Without it the score is skipped; the rules by
//! which it judges are tested in any case (`score/judge.rs`).
//!
//! Nothing of the list reaches the library: it sees a recording, and where the list names a lamp
//! of the same instrument, that lamp's recording.

#[path = "score/axes.rs"]
mod axes;
#[path = "score/index.rs"]
mod index;
#[path = "score/judge.rs"]
mod judge;
#[path = "score/mixtures.rs"]
mod mixtures;
#[path = "score/stress.rs"]
mod stress;
#[path = "score/table.rs"]
mod table;
#[path = "score/work.rs"]
mod work;

use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Variable that names another folder of measured spectra.
const FOLDER_VARIABLE: &str = "GLOWTELL_SPECTRA";

fn folder() -> PathBuf {
    match std::env::var_os(FOLDER_VARIABLE) {
        Some(folder) => folder.into(),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra"),
    }
}

/// Scores a folder; returns the sums and what is to be printed.
fn score(folder: &Path) -> (judge::Counts, String) {
    let entries = index::read(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let lab = work::Lab::new(folder, &entries);
    let results: Vec<work::Outcome> = entries.par_iter().map(|e| lab.outcome(e)).collect();
    let mut counts = judge::Counts::default();
    for (entry, outcome) in entries.iter().zip(&results) {
        if let Some(axis) = &outcome.axis {
            counts.axis(entry, axis);
        }
        counts.gases(entry, &outcome.gases, lab.main_counts(entry));
        if let (Some(peak), Some(source)) = (entry.peak_nm, &outcome.source) {
            counts.source(peak, source.as_ref().ok().map(|b| b.highest_nm.value));
        }
    }
    let starts: Vec<Vec<axes::Row>> =
        entries.par_iter().map(|e| axes::rows(folder, e, lab.tables())).collect();
    let starts: Vec<axes::Row> = starts.into_iter().flatten().collect();
    let (false_seen, sums) = mixtures::rows(folder, &entries, &lab);
    counts.false_seen_in_sums = false_seen;
    let text = [axes::print(&entries, &starts), sums, table::print(&entries, &results, &counts)]
        .join("\n");
    (counts, text)
}

#[test]
fn measured_spectra() {
    let folder = folder();
    if !folder.join("INDEX.csv").is_file() {
        println!(
            "skipped: no INDEX.csv in {} (name a folder with {FOLDER_VARIABLE})",
            folder.display()
        );
        return;
    }
    let (counts, text) = score(&folder);
    println!("{text}");
    assert_eq!(counts.wrong, 0, "an axis was set wrongly instead of being refused");
    assert_eq!(counts.dirty_by_seen, 0, "a gas was `seen` in a light that has none");
    assert_eq!(counts.false_seen_in_sums, 0, "a gas was `seen` that neither of two tubes has");
}

/// The same lights through poorer instruments: fewer answers, none that is false.
#[test]
#[ignore = "takes minutes: run it after a change of the calibration or of the identification"]
fn measured_spectra_made_worse() {
    let folder = folder();
    if !folder.join("INDEX.csv").is_file() {
        println!("skipped: no INDEX.csv in {}", folder.display());
        return;
    }
    let mut false_answers = Vec::new();
    for change in stress::CHANGES {
        let worse = change.folder(&folder);
        let (counts, text) = score(&worse);
        std::fs::remove_dir_all(&worse).unwrap();
        let last: Vec<&str> = text.trim_end().lines().rev().take(5).collect();
        println!("{change:?}\n  {}", last.into_iter().rev().collect::<Vec<_>>().join("\n  "));
        let named = text.lines().skip_while(|l| *l != "gases that are not there").skip(1);
        named.take_while(|l| !l.is_empty()).for_each(|l| println!("  {l}"));
        if counts.false_seen + counts.dirty_by_seen + counts.false_seen_in_sums > 0 {
            false_answers.push(change);
        }
    }
    assert!(false_answers.is_empty(), "false `seen` under {false_answers:?}");
}

/// The whole way on a made-up folder: what is not there must not be scored as found.
#[test]
fn a_made_up_folder_is_scored_for_what_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let put = |name: &str, text: String| std::fs::write(dir.path().join(name), text).unwrap();
    // Nothing but small scatter, on nm and on pixels, and a band 3 nm beside its label.
    let scatter = |i: u32| 100.0 + f64::from((i * 7919) % 101) * 0.02;
    let line = |head: &str, f: &dyn Fn(u32) -> (f64, f64)| {
        let points = (0..1500).map(f).map(|(x, y)| format!("{x:.2},{y:.3}\n"));
        format!("{head},intensity\n{}", points.collect::<String>())
    };
    put("empty.csv", line("wavelength_nm", &|i| (350.0 + 0.4 * f64::from(i), scatter(i))));
    put("pixels.csv", line("pixel", &|i| (f64::from(i), scatter(i))));
    put(
        "band.csv",
        line("wavelength_nm", &|i| {
            let nm = 350.0 + 0.4 * f64::from(i);
            (nm, scatter(i) + 5000.0 * (-((nm - 403.0) / 7.0).powi(2)).exp())
        }),
    );
    put("pixels.truth.csv", "pixel,wavelength_air_nm\n100,500\n900,700\n".into());
    put(
        "INDEX.csv",
        "file,kind,present,may_contain,axis,axis_bias_nm,calibrate_with,truth_file,truth_kind,\
         points,fwhm_nm,peak_nm,source,licence,notes\n\
         empty.csv,gas tube,Ne,,nm,0,,,none,1500,1.0,,us,MIT,\n\
         pixels.csv,gas tube,He,,pixel,,,pixels.truth.csv,lines,1500,1.0,,us,MIT,\n\
         band.csv,uv led,,,nm,,,,none,1500,11.7,400.0,us,MIT,\n\
         band.csv,uv led,,,nm,,,,none,1500,11.7,403.0,us,MIT,\n"
            .into(),
    );
    let (counts, text) = score(dir.path());
    assert_eq!((counts.solved, counts.refused, counts.wrong), (0, 1, 0), "{text}");
    assert_eq!((counts.right, counts.undecided + counts.missed), (0, 2), "{text}");
    assert_eq!((counts.clean, counts.dirty), (2, 0), "{text}");
    assert_eq!((counts.within, counts.outside), (1, 1), "{text}");
    let lines = counts.lines();
    assert!(lines.iter().all(|l| text.lines().any(|t| t == l)), "{text}");
}
