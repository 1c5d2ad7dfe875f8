//! `glowtell verify`: an axis, judged by a lamp.

use super::Ending;
use super::args::VerifyArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use anyhow::bail;
use glowtell::calibrate::{Claim, VerifySettings, mend, verify};
use glowtell::report::record::VerificationRecord;
use glowtell::report::{self, cautions};
use glowtell::signal::{PeakSettings, find_peaks};
use std::path::PathBuf;

pub fn run(args: &VerifyArgs, common: &Common) -> anyhow::Result<Ending> {
    let mut inputs: Vec<PathBuf> = vec![args.file.clone()];
    inputs.extend(args.repeats.iter().cloned());
    inputs.extend(common.profile.clone());
    inputs.extend(common.frame_files.clone());
    for target in [&args.out, &common.svg].into_iter().flatten() {
        check_target(target, &inputs)?;
    }
    let kept = match (&common.profile, args.keep) {
        (None, true) => bail!("--keep puts the check into a profile; give one with --profile"),
        (Some(path), true) => Some(path),
        (_, false) => None,
    };
    let lamp = common.read(&args.file)?;
    let repeats = args.repeats.iter().map(|f| common.read(f));
    let repeats = repeats.collect::<glowtell::Result<Vec<_>>>()?;
    let profile = common.load_profile()?;
    let mut settings =
        VerifySettings { within_nm: args.within, over_nm: args.over, ..VerifySettings::default() };
    settings.calibrate.lamp = common.lamp(&args.lamp)?;
    let v = verify(&lamp, &repeats, profile.as_ref(), &common.tables, &settings)?;

    let judged = profile.as_ref().map_or_else(|| Ok(lamp.clone()), |p| p.apply(&lamp))?;
    let peaks = find_peaks(&judged, &PeakSettings::default())?;
    let mut warnings = cautions::CALIBRATION_LAMP.to_vec();
    cautions::join(&mut warnings, cautions::of_recording(&judged, &peaks, false));

    // All outputs first, then all files.
    let mut files: Vec<(&PathBuf, String)> = Vec::new();
    if let Some(out) = &args.out {
        let mended = mend(&lamp, profile.as_ref(), &v, &common.tables, &settings)?;
        files.push((out, mended.to_text()?));
    }
    if let Some(svg) = &common.svg {
        let style = common.plot_style("", Vec::new());
        files.push((svg, report::svg::verification_plot(&v, &judged, &style)?));
    }
    if let (Some(path), Some(mut p)) = (kept, profile) {
        p.checks.push(v.as_check(args.dated.clone()));
        files.push((path, p.to_text()?));
    }
    for (path, text) in &files {
        save(path, text)?;
    }
    let ending = match v.tolerance.as_ref().map(|t| t.claim) {
        None | Some(Claim::Holds) => Ending::Answered,
        Some(Claim::DoesNotHold | Claim::CannotBeTested) => Ending::DidNotHold,
    };
    if common.json {
        let digest = common.tables.digest();
        let mut record = VerificationRecord::new(&v, &lamp, &settings, digest);
        record.cautions = warnings.iter().map(Into::into).collect();
        print(&record.to_json()?)?;
        return Ok(ending);
    }
    let mut text = report::terminal::verification(&v, &common.style);
    let read = common.tables.notes().iter().chain(&lamp.provenance.notes);
    text += &report::terminal::notes("From file to axis", read.map(String::as_str), &common.style);
    for (path, _) in &files {
        text += &format!("\nwritten: {}\n", path.display());
    }
    if !common.quiet {
        text += &report::terminal::cautions(&warnings, &common.style);
    }
    print(&text)?;
    Ok(ending)
}
