//! `glowtell peaks`: the emission lines of recordings.

use super::Ending;
use super::args::PeaksArgs;
use super::output::{print, save};
use super::recordings::{self, single_target};
use super::settings::Common;
use anyhow::bail;
use glowtell::AxisKind;
use glowtell::bench::{Settings, load_curve};
use glowtell::report::{self, Medium, cautions};
use std::cell::RefCell;

pub fn run(args: &PeaksArgs, common: &Common) -> anyhow::Result<Ending> {
    single_target("--csv", args.csv.as_deref(), &args.files)?;
    if args.vacuum && common.json {
        bail!("records keep wavelengths in air; leave out --vacuum or --json");
    }
    let medium = if args.vacuum { Medium::Vacuum } else { Medium::Air };
    let response = args.response.as_deref().map(load_curve).transpose()?;
    let settings = Settings { identify: false, response, ..Settings::default() };
    let list = RefCell::new(Vec::new());
    let ending = recordings::run(&args.files, &[&args.response], common, &settings, &|e| {
        cautions::join(&mut list.borrow_mut(), cautions::of_recording(&e.spectrum, &e.peaks, true));
        if args.vacuum && e.peaks.axis == AxisKind::Pixel {
            bail!(
                "{}: its axis is in pixels, which are the same in vacuum; give a --profile or \
                 leave out --vacuum",
                e.spectrum.provenance.name
            );
        }
        if let Some(path) = &args.csv {
            save(path, &report::csv::peaks_in(&e.peaks, None, medium)?)?;
        }
        Ok(report::terminal::peaks_in(&e.peaks, medium, &common.style))
    })?;
    let list = list.into_inner();
    if !(common.json || common.quiet || list.is_empty()) {
        print(&report::terminal::cautions(&list, &common.style))?;
    }
    Ok(ending)
}
