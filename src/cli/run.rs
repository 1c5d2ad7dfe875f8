//! `glowtell run`: everything on a bench sheet.

use super::Ending;
use super::args::RunArgs;
use super::output::{check_target, complain, make_folder, notes, print, save};
use super::settings::Common;
use anyhow::anyhow;
use glowtell::bench::{self, BenchResult, Progress, RunSettings, Sheet};
use glowtell::report;
use indicatif::{ProgressBar, ProgressDrawTarget};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Benches with fewer items are done before a bar would be read.
const BAR_FROM_ITEMS: usize = 9;

pub fn run(args: &RunArgs, common: &Common) -> anyhow::Result<Ending> {
    let sheet = Sheet::load(&args.sheet)?;
    let settings = RunSettings {
        import: common.import.clone(),
        examine: args.asked.settings(),
        profile: common.profile.clone(),
        ..RunSettings::default()
    };
    bench::check_asked(&settings.examine.gases.ask, &common.tables)?;
    make_folder(&args.out)?;
    let bar = bar(sheet.tubes.len() + sheet.lights.len(), common.quiet);
    let result = bench::run(&sheet, &common.tables, &settings, &|p: Progress<'_>| {
        bar.set_position(p.done as u64);
    })?;
    bar.finish_and_clear();
    let mut inputs: Vec<PathBuf> = vec![args.sheet.clone()];
    inputs.extend(sheet.instrument.lamp.iter().map(|f| sheet.path_of(f)));
    inputs.extend(result.items.iter().flat_map(|i| i.files.iter().cloned()));
    let written = write_all(&result, &args.out, &inputs, common)?;
    todo!()
}

/// A bar on standard error where somebody is there to see it.
fn bar(items: usize, quiet: bool) -> ProgressBar {
    if quiet || items < BAR_FROM_ITEMS || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    ProgressBar::with_draw_target(Some(items as u64), ProgressDrawTarget::stderr())
}
