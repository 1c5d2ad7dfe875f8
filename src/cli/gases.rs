//! `glowtell gases`: what a tube shows.

use super::Ending;
use super::args::GasesArgs;
use super::output::print;
use super::recordings;
use super::settings::Common;
use glowtell::report;

pub fn run(args: &GasesArgs, common: &Common) -> anyhow::Result<Ending> {
    let ending = recordings::run(&args.files, common, &args.asked.settings(), &|e| {
        let gases = e.gases.as_ref();
        Ok(gases.map(|g| report::terminal::gases(g, &e.peaks, &common.style)).unwrap_or_default())
    })?;
    if !(common.json || common.quiet) && ending == Ending::Answered {
        print(&report::terminal::cautions(&report::cautions::TUBES, &common.style))?;
    }
    Ok(ending)
}
