//! `glowtell calibrate`: an instrument's profile from its lamps.

use super::Ending;
use super::args::CalibrateArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use glowtell::calibrate::{CalibrateSettings, LampRecording, calibrate_together};
use glowtell::report::{self, cautions};
use glowtell::signal::{PeakSettings, find_peaks};
use std::path::PathBuf;

/// What follows the lamp's name in the name of a profile.
const PROFILE_ENDING: &str = ".profile.toml";

pub fn run(args: &CalibrateArgs, common: &Common) -> anyhow::Result<Ending> {
    let out = args.out.clone().unwrap_or_else(|| {
        let first = args.files.first().and_then(|f| f.file_stem());
        let mut name = first.unwrap_or_default().to_os_string();
        name.push(PROFILE_ENDING);
        PathBuf::from(name)
    });
    let inputs = [&args.files[..], &common.frame_files].concat();
    for target in [Some(&out), common.svg.as_ref(), args.write_corrected.as_ref()] {
        target.map_or(Ok(()), |t| check_target(t, &inputs))?;
    }
    let settings = CalibrateSettings {
        lamp: common.lamp(&args.lamp)?,
        about_nm: args.about,
        optics: args.optics.facts(),
        instrument: args.instrument.clone(),
        ..CalibrateSettings::default()
    };
    let mut read = Vec::new();
    for file in &args.files {
        let lamp = common.read(file)?;
        let peaks = find_peaks(&lamp, &PeakSettings::default())?;
        read.push((lamp, peaks));
    }
    let lamps: Vec<LampRecording> =
        read.iter().map(|(spectrum, peaks)| LampRecording { spectrum, peaks }).collect();
    let profile = calibrate_together(&lamps, &common.tables, &settings)?;

    // All outputs first, then all files.
    let mut files: Vec<(&PathBuf, String)> = vec![(&out, profile.to_text()?)];
    if let (Some(svg), Some(first)) = (&common.svg, lamps.first()) {
        let style = common.plot_style(&profile.instrument, Vec::new());
        files.push((svg, report::svg::lamp_plot(&profile, first.spectrum, &style)?));
    }
    if let (Some(path), Some(first)) = (&args.write_corrected, lamps.first()) {
        files.push((path, report::csv::recording(&profile.apply(first.spectrum)?)?));
    }
    for (path, text) in &files {
        save(path, text)?;
    }
    if common.json {
        print(&report::record::to_json(&profile)?)?;
        return Ok(Ending::Answered);
    }
    let mut text = report::terminal::profile(&profile, &common.style);
    let notes = read.iter().flat_map(|(lamp, peaks)| {
        let all = lamp.provenance.notes.iter().chain(&peaks.notes);
        all.map(|note| (lamp.provenance.name.as_str(), note.as_str()))
    });
    let tables = common.tables.notes().iter().map(String::as_str);
    let heading = "From file to lines";
    text += &if read.len() == 1 {
        let all = tables.chain(notes.map(|(_, note)| note));
        report::terminal::notes(heading, all, &common.style)
    } else {
        let all = tables.map(|note| ("line tables", note)).chain(notes);
        report::terminal::notes_by(heading, all, &common.style)
    };
    for (path, _) in &files {
        text += &format!("\nwritten: {}\n", path.display());
    }
    if !common.quiet {
        let mut list = cautions::CALIBRATION_LAMP.to_vec();
        for (lamp, _) in &read {
            let on_axis = profile.apply(lamp)?;
            let peaks = find_peaks(&on_axis, &PeakSettings::default())?;
            cautions::join(&mut list, cautions::of_recording(&on_axis, &peaks, false));
        }
        text += &report::terminal::cautions(&list, &common.style);
    }
    print(&text)?;
    Ok(Ending::Answered)
}
