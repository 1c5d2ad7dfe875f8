//! `glowtell gases`: what a tube shows.

use super::Ending;
use super::args::GasesArgs;
use super::output::print;
use super::recordings;
use super::settings::Common;
use glowtell::import::read_file;
use glowtell::report;

pub fn run(args: &GasesArgs, common: &Common) -> anyhow::Result<Ending> {
    let mut settings = args.asked.settings();
    settings.room = args.room.as_deref().map(|f| read_file(f, &common.import)).transpose()?;
    let ending = recordings::run(&args.files, common, &settings, &|e| {
        let gases = e.gases.as_ref();
        Ok(gases.map(|g| report::terminal::gases(g, &e.peaks, &common.style)).unwrap_or_default())
    })?;
    if !(common.json || common.quiet) && ending == Ending::Answered {
        print(&report::terminal::cautions(&report::cautions::TUBES, &common.style))?;
    }
    Ok(ending)
}
