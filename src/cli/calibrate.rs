//! `glowtell calibrate`: an instrument's profile from its lamp.

use super::Ending;
use super::args::CalibrateArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use glowtell::calibrate::{CalibrateSettings, calibrate};
use glowtell::import::read_file;
use glowtell::report;
use glowtell::signal::{PeakSettings, find_peaks};
use std::path::PathBuf;

/// What follows the lamp's name in the name of a profile.
const PROFILE_ENDING: &str = ".profile.toml";

pub fn run(args: &CalibrateArgs, common: &Common) -> anyhow::Result<Ending> {
    let out = args.out.clone().unwrap_or_else(|| {
        let mut name = args.lamp.file_stem().unwrap_or_default().to_os_string();
        name.push(PROFILE_ENDING);
        PathBuf::from(name)
    });
    let inputs = [args.lamp.clone()];
    check_target(&out, &inputs)?;
    if let Some(svg) = &common.svg {
        check_target(svg, &inputs)?;
    }
    let lamp = read_file(&args.lamp, &common.import)?;
    let peaks = find_peaks(&lamp, &PeakSettings::default())?;
    let settings =
        CalibrateSettings { instrument: args.instrument.clone(), ..CalibrateSettings::default() };
    let profile = calibrate(&lamp, &peaks, &common.tables, &settings)?;
    save(&out, &profile.to_text()?)?;
    if let Some(svg) = &common.svg {
        save(
            svg,
            &report::svg::lamp_plot(
                &profile,
                &lamp,
                &common.plot_style(&profile.instrument, Vec::new()),
            )?,
        )?;
    }
    if common.json {
        print(&report::record::to_json(&profile)?)?;
        return Ok(Ending::Answered);
    }
    let mut text = report::terminal::profile(&profile, &common.style);
    let all = common.tables.notes().iter().chain(&lamp.provenance.notes).chain(&peaks.notes);
    text += &report::terminal::notes("From file to lines", all.map(String::as_str), &common.style);
    text += &format!("\nprofile written to {}\n", out.display());
    print(&text)?;
    Ok(Ending::Answered)
}
