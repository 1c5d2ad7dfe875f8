//! `glowtell gases`: what a tube shows.

use super::Ending;
use super::args::GasesArgs;
use super::output::print;
use super::recordings;
use super::settings::Common;
use glowtell::bench::load_curve;
use glowtell::import::read_file;
use glowtell::report::{self, cautions};
use std::cell::RefCell;

pub fn run(args: &GasesArgs, common: &Common) -> anyhow::Result<Ending> {
    let mut settings = args.asked.settings();
    settings.room = args.room.as_deref().map(|f| read_file(f, &common.import)).transpose()?;
    settings.response = args.response.as_deref().map(load_curve).transpose()?;
    let list = RefCell::new(cautions::TUBES.to_vec());
    let ending =
        recordings::run(&args.files, &[&args.room, &args.response], common, &settings, &|e| {
            cautions::join(
                &mut list.borrow_mut(),
                cautions::of_recording(&e.spectrum, &e.peaks, true),
            );
            let gases = e.gases.as_ref();
            Ok(gases
                .map(|g| report::terminal::gases(g, &e.peaks, &common.style))
                .unwrap_or_default())
        })?;
    if !(common.json || common.quiet) && ending == Ending::Answered {
        print(&report::terminal::cautions(&list.borrow(), &common.style))?;
    }
    Ok(ending)
}
