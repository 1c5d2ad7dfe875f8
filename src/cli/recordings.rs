//! What `peaks` and `gases` have in common: recordings in, one result each out.

use super::output::{check_target, complain, is_closed_pipe, print, save};
use super::settings::Common;
use super::{Ending, records};
use anyhow::bail;
use glowtell::bench::{Examination, Settings, check_asked, examine};
use glowtell::calibrate::Profile;
use glowtell::report::svg::spectrum_plot;
use glowtell::report::terminal::notes;
use std::path::{Path, PathBuf};

/// What a command makes of an examination: saves its files, gives back its table.
pub type Show<'a> = &'a dyn Fn(&Examination) -> anyhow::Result<String>;

/// Examines one file after the other and prints what `show` makes of each. A file that fails is
/// reported and the rest go on. `also` are further files that are read, not to be overwritten.
///
/// # Errors
/// What makes the whole run pointless: a bad profile, an unknown species, an output that cannot be
/// written, a closed pipe.
pub fn run(
    files: &[PathBuf],
    also: &[&Option<PathBuf>],
    common: &Common,
    settings: &Settings,
    show: Show<'_>,
) -> anyhow::Result<Ending> {
    let mut inputs = [files, &common.frame_files].concat();
    inputs.extend(also.iter().copied().flatten().cloned());
    single_target("--svg", common.svg.as_deref(), files)?;
    common.svg.as_deref().map_or(Ok(()), |svg| check_target(svg, &inputs))?;
    check_asked(&settings.gases.ask, &common.tables)?;
    let profile = common.load_profile()?;
    let mut ending = Ending::Answered;
    let mut first = true;
    for file in files {
        let text = match one(file, profile.as_ref(), common, settings, show) {
            Ok(text) => text,
            Err(e) if is_closed_pipe(&e) => return Err(e),
            Err(e) => {
                complain(&e);
                ending = Ending::ItemFailed;
                continue;
            }
        };
        if files.len() > 1 && !common.json {
            print(&format!("{}{}", if first { "" } else { "\n" }, file.display()))?;
        }
        first = false;
        print(&text)?;
    }
    Ok(ending)
}

fn one(
    file: &Path,
    profile: Option<&Profile>,
    common: &Common,
    settings: &Settings,
    show: Show<'_>,
) -> anyhow::Result<String> {
    let spectrum = common.read(file)?;
    let e = examine(spectrum, profile, &common.tables, settings)?;
    let table = show(&e)?;
    if let Some(path) = &common.svg {
        let style = common.plot_style(&e.spectrum.provenance.name, Vec::new());
        save(path, &spectrum_plot(&e.spectrum, &e.peaks, e.gases.as_ref(), &style)?)?;
    }
    if common.json {
        let name = &e.spectrum.provenance.name;
        let digest = common.tables.digest();
        let mut record = records::answered(name, &e, profile, settings, &digest)?;
        record.for_sharing(&[file.to_path_buf()], false);
        return Ok(record.to_json()?);
    }
    let tables = common.tables.notes().iter();
    let all = tables.chain(&e.spectrum.provenance.notes).chain(&e.notes).map(String::as_str);
    Ok(table + &notes("From file to axis", all, &common.style))
}

/// An option that names one file to write goes with one recording; the file must be writable.
///
/// # Errors
/// Several recordings; those of [`check_target`].
pub fn single_target(option: &str, target: Option<&Path>, files: &[PathBuf]) -> anyhow::Result<()> {
    let Some(target) = target else { return Ok(()) };
    if files.len() > 1 {
        bail!(
            "{option} takes one recording, not {}; put them on a sheet and use `glowtell run`",
            files.len()
        );
    }
    check_target(target, files)
}
