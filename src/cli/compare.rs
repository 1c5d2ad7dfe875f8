//! `glowtell compare`: whether tubes hold the same filling.

use super::Ending;
use super::args::CompareArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use anyhow::bail;
use glowtell::bench::{
    self, Examination, ItemKind, RunSettings, Sheet, TubeComparison, check_asked, compare_tubes,
    examine,
};
use glowtell::report::record::ComparisonRecord;
use glowtell::report::{self, cautions, svg};
use rayon::prelude::*;
use std::path::PathBuf;

/// Tubes with their names.
type Named = Vec<(String, Examination)>;

pub fn run(args: &CompareArgs, common: &Common) -> anyhow::Result<Ending> {
    let settings = args.asked.settings();
    check_asked(&settings.gases.ask, &common.tables)?;
    let mut inputs = args.files.clone();
    inputs.extend(common.frame_files.iter().chain(&args.sheet).cloned());
    for target in common.svg.iter().chain(&args.csv) {
        check_target(target, &inputs)?;
    }
    let (named, notes) = match &args.sheet {
        Some(path) => of_sheet(args, path, common)?,
        None => (of_files(args, common)?, Vec::new()),
    };
    let list: Vec<(&str, &Examination)> = named.iter().map(|(n, e)| (n.as_str(), e)).collect();
    let mut c = compare_tubes(&list)?;
    c.notes.extend(notes);
    if let Some(path) = &args.csv {
        save(path, &report::csv::pairs(&c)?)?;
    }
    if let Some(path) = &common.svg {
        save(
            path,
            &svg::tubes_plot(
                &c,
                &list,
                svg::MOST_SPECTRA,
                &common.plot_style("Tubes against each other", Vec::new()),
            )?,
        )?;
    }
    print(&text(&c, &list, common)?)?;
    Ok(Ending::Answered)
}

fn text(
    c: &TubeComparison,
    list: &[(&str, &Examination)],
    common: &Common,
) -> anyhow::Result<String> {
    if common.json {
        return Ok(ComparisonRecord::new(c, list, common.tables.digest()).to_json()?);
    }
    let mut out = report::terminal::tubes(c, &common.style);
    if !common.quiet {
        out += &report::terminal::cautions(&cautions::TUBES, &common.style);
    }
    Ok(out)
}

/// Each file examined, named by its stem, or by its whole path where two stems are alike.
fn of_files(args: &CompareArgs, common: &Common) -> anyhow::Result<Named> {
    if args.files.len() < 2 {
        bail!("a comparison needs two recordings or a --sheet; name another file");
    }
    for (i, f) in args.files.iter().enumerate() {
        if args.files[..i].contains(f) {
            bail!("{} is named twice; a recording cannot differ from itself", f.display());
        }
    }
    let profile = common.load_profile()?;
    let settings = args.asked.settings();
    let stem = |f: &PathBuf| f.file_stem().unwrap_or(f.as_os_str()).to_string_lossy().into_owned();
    let stems: Vec<String> = args.files.iter().map(stem).collect();
    args.files
        .par_iter()
        .zip(&stems)
        .map(|(f, stem)| {
            let alike = stems.iter().filter(|s| *s == stem).count() > 1;
            let name = if alike { f.display().to_string() } else { stem.clone() };
            Ok((name, examine(common.read(f)?, profile.as_ref(), &common.tables, &settings)?))
        })
        .collect()
}

/// The tubes of a sheet, on the axis that its lamp sets; those without an answer are told.
fn of_sheet(
    args: &CompareArgs,
    path: &std::path::Path,
    common: &Common,
) -> anyhow::Result<(Named, Vec<String>)> {
    if !args.files.is_empty() {
        bail!("give recordings or a --sheet, not both");
    }
    let mut sheet = Sheet::load(path)?;
    sheet.lights.clear();
    if sheet.tubes.len() < 2 {
        bail!("{}: has {} tubes, and a comparison needs two", path.display(), sheet.tubes.len());
    }
    let settings = RunSettings {
        import: common.import.clone(),
        examine: args.asked.settings(),
        profile: common.profile.clone(),
        frames: common.frames.clone(),
        ..RunSettings::default()
    };
    let result = bench::run(&sheet, &common.tables, &settings, &|_| {})?;
    let mut notes = result.notes;
    if let Some(why) = &result.instrument.failure {
        notes.push(format!("the lamp could not set the axis: {why}"));
    }
    let mut out = Vec::new();
    for item in result.items.into_iter().filter(|i| i.kind == ItemKind::Tube) {
        match item.outcome {
            Ok(e) => out.push((item.name, e)),
            Err(why) => notes.push(format!("{} is left out: {why}", item.name)),
        }
    }
    Ok((out, notes))
}
