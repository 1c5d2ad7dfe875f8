//! `glowtell peaks`: the emission lines of recordings.

use super::Ending;
use super::args::PeaksArgs;
use super::output::save;
use super::recordings::{self, single_target};
use super::settings::Common;
use glowtell::bench::Settings;
use glowtell::report;

pub fn run(args: &PeaksArgs, common: &Common) -> anyhow::Result<Ending> {
    single_target("--csv", args.csv.as_deref(), &args.files)?;
    let settings = Settings { identify: false, ..Settings::default() };
    recordings::run(&args.files, common, &settings, &|e| {
        if let Some(path) = &args.csv {
            save(path, &report::csv::peaks(&e.peaks, None)?)?;
        }
        Ok(report::terminal::peaks(&e.peaks, &common.style))
    })
}
