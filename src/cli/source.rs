//! `glowtell source`: what a light source emits.

use super::Ending;
use super::args::SourceArgs;
use super::output::{check_target, complain, is_closed_pipe, print, save};
use super::recordings::single_target;
use super::records;
use super::settings::Common;
use anyhow::bail;
use glowtell::Measured;
use glowtell::bench::{Examination, Settings, examine, load_response};
use glowtell::calibrate::Profile;
use glowtell::reference::LightTables;
use glowtell::report::svg::source_plot;
use glowtell::report::{self, cautions};
use glowtell::source::{
    Compared, Response, ResponseKnown, SourceReport, SourceSettings, check_claims, compare, measure,
};
use std::path::Path;

/// One source, measured.
struct Done {
    name: String,
    report: SourceReport,
}

pub fn run(args: &SourceArgs, common: &Common) -> anyhow::Result<Ending> {
    single_target("--svg", common.svg.as_deref(), &args.files)?;
    for target in [&args.csv, &args.write_response].into_iter().flatten() {
        check_target(target, &args.files)?;
    }
    check_claims(&args.claim)?;
    let light = LightTables::bundled()?;
    let profile = common.load_profile()?;
    if args.write_response.is_some() {
        return make_response(args, common, profile.as_ref());
    }
    let response = match (&args.response, args.corrected) {
        (Some(path), _) => load_response(path)?,
        (None, true) => ResponseKnown::Corrected,
        (None, false) => ResponseKnown::No,
    };
    let settings =
        SourceSettings { factory_axis_u_nm: args.axis_u, response, claims: args.claim.clone() };
    let mut ending = Ending::Answered;
    let mut done: Vec<Done> = Vec::new();
    for file in &args.files {
        let (name, examination, report) =
            match one(file, profile.as_ref(), common, &light, &settings) {
                Ok(found) => found,
                Err(e) if is_closed_pipe(&e) => return Err(e),
                Err(e) => {
                    complain(&e);
                    ending = Ending::ItemFailed;
                    continue;
                }
            };
        if report.some_claim_fails() && ending == Ending::Answered {
            ending = Ending::DidNotHold;
        }
        show(&name, &examination, &report, args, common, profile.as_ref(), &light, done.len())?;
        done.push(Done { name, report });
    }
    finish(args, common, &done)?;
    Ok(ending)
}

fn one(
    file: &Path,
    profile: Option<&Profile>,
    common: &Common,
    light: &LightTables,
    settings: &SourceSettings,
) -> anyhow::Result<(String, Examination, SourceReport)> {
    let spectrum = common.read(file)?;
    let lines_only = Settings { identify: false, ..Settings::default() };
    let e = examine(spectrum, profile, &common.tables, &lines_only)?;
    let report = measure(&e.spectrum, &e.peaks, &common.tables, light, settings)?;
    Ok((e.spectrum.provenance.name.clone(), e, report))
}

/// Draws and prints one source.
#[allow(clippy::too_many_arguments)]
fn show(
    name: &str,
    e: &Examination,
    r: &SourceReport,
    args: &SourceArgs,
    common: &Common,
    profile: Option<&Profile>,
    light: &LightTables,
    before: usize,
) -> anyhow::Result<()> {
    if let Some(path) = &common.svg {
        let style = common.plot_style(name, Vec::new());
        save(path, &source_plot(&e.spectrum, &e.peaks, r, &style)?)?;
    }
    if common.json {
        let digest = common.tables.digest();
        let mut record = records::answered(name, e, profile, &Settings::default(), &digest)?;
        record.settings.insert("source".into(), serde_json::to_value(&r.response)?);
        record.cautions = cautions::of_source(r).iter().map(Into::into).collect();
        record.source = Some(r.clone());
        record.for_sharing(&args.files, false);
        return print(&record.to_json()?);
    }
    let style = &common.style;
    let mut text = String::new();
    if args.files.len() > 1 {
        text += &format!("{}{name}\n", if before == 0 { "" } else { "\n" });
    }
    text += &report::terminal::source(r, style);
    if args.electrodes {
        text += "\n";
        text += &report::terminal::electrodes(&r.cathodes, light.glasses(), r.range_nm[0], style);
    }
    let tables = common.tables.notes().iter();
    let all = tables.chain(&e.spectrum.provenance.notes).chain(&e.notes).map(String::as_str);
    text += &report::terminal::notes("From file to axis", all, style);
    print(&text)
}

/// What stands below all sources: the comparison, the table, the cautions.
fn finish(args: &SourceArgs, common: &Common, done: &[Done]) -> anyhow::Result<()> {
    if let Some(path) = &args.csv {
        let rows: Vec<_> = done.iter().map(|d| (d.name.as_str(), &d.report)).collect();
        save(path, &report::csv::sources(&rows)?)?;
    }
    if args.compare && !common.json {
        let list: Vec<Compared<'_>> = done
            .iter()
            .map(|d| Compared {
                name: &d.name,
                report: &d.report,
                exposure_ms: None,
                distance_mm: None,
            })
            .collect();
        match compare(&list) {
            Some(c) => print(&format!("\n{}", report::terminal::comparison(&c, &common.style)))?,
            None => print(
                "\nNothing to compare: fewer than two recordings are neither clipped nor dark.\n",
            )?,
        }
    }
    if common.json || common.quiet {
        return Ok(());
    }
    let mut list: Vec<cautions::Caution> = Vec::new();
    for c in done.iter().flat_map(|d| cautions::of_source(&d.report)) {
        if !list.contains(&c) {
            list.push(c);
        }
    }
    if !list.is_empty() {
        print(&report::terminal::cautions(&list, &common.style))?;
    }
    Ok(())
}

/// Makes a response curve from an incandescent lamp.
fn make_response(
    args: &SourceArgs,
    common: &Common,
    profile: Option<&Profile>,
) -> anyhow::Result<Ending> {
    let (Some(path), Some(kelvin)) = (&args.write_response, args.colour_temperature) else {
        bail!("--write-response needs the lamp's --colour-temperature");
    };
    let idle = [
        (common.svg.is_some(), "--svg"),
        (args.csv.is_some(), "--csv"),
        (!args.claim.is_empty(), "--claim"),
    ];
    if let Some((_, option)) = idle.iter().find(|(given, _)| *given) {
        bail!(
            "{option} tells of a light, --write-response makes a curve of a lamp; run them one by \
             one"
        );
    }
    let [file] = args.files.as_slice() else {
        bail!(
            "--write-response takes one recording of an incandescent lamp, not {}",
            args.files.len()
        );
    };
    let spectrum = common.read(file)?;
    let lines_only = Settings { identify: false, ..Settings::default() };
    let e = examine(spectrum, profile, &common.tables, &lines_only)?;
    let t = Measured::new(kelvin, args.colour_temperature_u);
    let made = Response::from_lamp(&e.spectrum, &e.peaks, t)?;
    save(path, &report::csv::response(&made, t)?)?;
    let mut text = format!(
        "Response from {:.0} to {:.0} nm, {}.\n",
        made.nm.first().copied().unwrap_or_default(),
        made.nm.last().copied().unwrap_or_default(),
        made.origin
    );
    text +=
        &report::terminal::notes("Limits", made.notes.iter().map(String::as_str), &common.style);
    text += &format!("\nwritten: {}\n", path.display());
    print(&text)?;
    Ok(Ending::Answered)
}
