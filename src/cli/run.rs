//! `glowtell run`: everything on a bench sheet.

use super::Ending;
use super::args::RunArgs;
use super::output::{check_target, complain, make_folder, print, save};
use super::records;
use super::settings::Common;
use anyhow::{Context, anyhow};
use glowtell::bench::{
    self, BenchResult, Examination, ItemKind, Progress, RunSettings, Sheet, TubeComparison,
    compare_tubes,
};
use glowtell::report::html::{self, InputFile, Page};
use glowtell::report::record::{Record, SummaryRow};
use glowtell::report::svg::{
    MOST_SPECTRA, calibration_plot, lamp_plot, source_plot, spectrum_plot, tubes_plot,
};
use glowtell::report::{self, cautions};
use glowtell::source::{Compared, Comparison, compare};
use indicatif::{ProgressBar, ProgressDrawTarget};
use rayon::prelude::*;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Benches with fewer items are done before a bar would be read.
const BAR_FROM_ITEMS: usize = 9;
/// The axis that was used.
const PROFILE: &str = "instrument.profile.toml";
/// How that axis was set and how well it is known.
const CALIBRATION: &str = "calibration.svg";
/// The lamp on that axis, and each further one. No item's file name has an underscore.
fn lamp_name(index: usize) -> String {
    if index == 0 { "lamp.svg".into() } else { format!("lamp_{}.svg", index + 1) }
}
/// One row an item.
const SUMMARY_CSV: &str = "summary.csv";
/// One row an item and gas.
const VERDICTS_CSV: &str = "verdicts.csv";
/// One row a light and emission, share or claim.
const SOURCES_CSV: &str = "sources.csv";
/// The tubes against each other.
const TUBES_SVG: &str = "tubes_together.svg";
/// One row a pair of tubes.
const PAIRS_CSV: &str = "pairs.csv";
/// One row a light: how much of each region, against the first.
const COMPARISON_CSV: &str = "comparison.csv";
/// Most tubes whose comparison is drawn; all are in the table of pairs.
const MOST_DRAWN: usize = 200;
/// One object an item.
const SUMMARY_JSON: &str = "summary.json";
/// What a lamp's recording is called among the files that were read.
const LAMP: &str = "lamp";
/// All of it on one page.
const PAGE: &str = "report.html";

pub fn run(args: &RunArgs, common: &Common) -> anyhow::Result<Ending> {
    let sheet = Sheet::load(&args.sheet)?;
    let settings = RunSettings {
        import: common.import.clone(),
        examine: args.asked.settings(),
        profile: common.profile.clone(),
        frames: common.frames.clone(),
        ..RunSettings::default()
    };
    bench::check_asked(&settings.examine.gases.ask, &common.tables)?;
    sheet.instrument.calibrate_settings(&settings.calibrate, &common.tables)?;
    make_folder(&args.out)?;
    let bar = bar(sheet.tubes.len() + sheet.lights.len(), common.quiet);
    let result = bench::run(&sheet, &common.tables, &settings, &|p: Progress<'_>| {
        bar.set_position(p.done as u64);
    });
    bar.finish_and_clear();
    let result = result?;
    let profile = result.instrument.profile.as_ref();
    let digest = common.tables.digest();
    let read = inputs(args, &sheet, &result, common);
    let paths: Vec<PathBuf> = read.iter().map(|(_, path)| path.clone()).collect();
    let share = (&paths[..], sheet.record.keep_header_lines);
    let records: Vec<Record> = result
        .items
        .iter()
        .map(|i| records::item(i, profile, &settings.examine, common, &digest, share))
        .collect::<anyhow::Result<_>>()?;
    let rows: Vec<SummaryRow> = records.iter().map(Into::into).collect();
    let together = together(&result);
    let mut files = files(&result, (&records, &rows), together.as_ref(), common)?;
    let page = page(&result, &read, (&records, together.as_ref()), &settings, &files, common)?;
    files.push((PAGE.into(), report::record::without_folders(&page, &paths)));
    write(&files, &args.out, &paths)?;
    if common.json {
        print(&report::record::to_json(&rows)?)?;
    } else {
        print(&text(&result, (&rows, together.as_ref()), files.len(), args, common))?;
    }
    Ok(complaints(&result))
}

/// A bar on standard error where somebody is there to see it.
fn bar(items: usize, quiet: bool) -> ProgressBar {
    if quiet || items < BAR_FROM_ITEMS || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    ProgressBar::with_draw_target(Some(items as u64), ProgressDrawTarget::stderr())
}

/// Every file of the results, name and content.
fn files(
    result: &BenchResult,
    (records, rows): (&[Record], &[SummaryRow]),
    together: Option<&TubeComparison>,
    common: &Common,
) -> anyhow::Result<Vec<(String, String)>> {
    let instrument = &result.instrument;
    let mut out: Vec<(String, String)> = Vec::new();
    if let Some(profile) = &instrument.profile {
        out.push((PROFILE.into(), profile.to_text()?));
        let style = common.plot_style(&instrument.name, Vec::new());
        let plot = match instrument.lamps.first() {
            Some(lamp) => lamp_plot(profile, &lamp.read, &style)?,
            None => calibration_plot(profile, &style)?,
        };
        out.push((CALIBRATION.into(), plot));
    }
    for (k, lamp) in instrument.lamps.iter().enumerate() {
        let style = common.plot_style(&format!("{}: lamp", instrument.name), Vec::new());
        out.push((lamp_name(k), spectrum_plot(&lamp.spectrum, &lamp.peaks, None, &style)?));
    }
    let per_item = result
        .items
        .par_iter()
        .zip(records)
        .map(|(item, record)| {
            let mut out = vec![(format!("{}.json", item.file_name), record.to_json()?)];
            if let Ok(e) = &item.outcome {
                let footer = vec![format!("instrument: {}", instrument.name)];
                let style = common.plot_style(&item.name, footer);
                let plot = match &item.source {
                    Some(s) => source_plot(&e.spectrum, &e.peaks, s, &style)?,
                    None => spectrum_plot(&e.spectrum, &e.peaks, e.gases.as_ref(), &style)?,
                };
                out.push((format!("{}.svg", item.file_name), plot));
            }
            Ok(out)
        })
        .collect::<anyhow::Result<Vec<_>>>()?;
    out.extend(per_item.into_iter().flatten());
    out.push((SUMMARY_CSV.into(), report::csv::summary(rows)?));
    out.push((VERDICTS_CSV.into(), report::csv::verdicts(records)?));
    out.push((SUMMARY_JSON.into(), report::record::to_json(rows)?));
    let lights: Vec<_> =
        result.items.iter().filter_map(|i| Some((i.name.as_str(), i.source.as_ref()?))).collect();
    if !lights.is_empty() {
        out.push((SOURCES_CSV.into(), report::csv::sources(&lights)?));
    }
    if let Some(c) = together {
        let list = tubes(result);
        let style = common.plot_style("Tubes against each other", Vec::new());
        if list.len() <= MOST_DRAWN {
            out.push((TUBES_SVG.into(), tubes_plot(c, &list, MOST_SPECTRA, &style)?));
        }
        out.push((PAIRS_CSV.into(), report::csv::pairs(c)?));
    }
    if let Some(c) = compared(result) {
        out.push((COMPARISON_CSV.into(), report::csv::comparison(&c)?));
    }
    Ok(out)
}

/// The page. `files` are those of the results; it gives out what concerns the whole bench.
fn page(
    result: &BenchResult,
    read: &[(String, PathBuf)],
    (records, together): (&[Record], Option<&TubeComparison>),
    settings: &RunSettings,
    files: &[(String, String)],
    common: &Common,
) -> anyhow::Result<String> {
    let of_bench =
        [PROFILE, SUMMARY_CSV, VERDICTS_CSV, PAIRS_CSV, SOURCES_CSV, COMPARISON_CSV, SUMMARY_JSON];
    let given: Vec<(String, String)> =
        files.iter().filter(|(name, _)| of_bench.contains(&name.as_str())).cloned().collect();
    let mut used = vec![
        ("reading".to_string(), serde_json::to_value(&settings.import)?),
        ("lines and gases".to_string(), serde_json::to_value(&settings.examine)?),
    ];
    if let Some(p) = &result.instrument.profile {
        used.push(("axis".to_string(), serde_json::to_value(&p.settings)?));
    }
    // With a profile on the command line the sheet's lamp is not looked at.
    let used_lamp = common.profile.is_none();
    let read = read.iter().filter(|(role, _)| used_lamp || role != LAMP);
    let mut inputs = read.map(|(role, path)| InputFile {
        role: role.clone(),
        name: path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into(),
        sha256: report::files::digest(path),
    });
    let of_sheet = inputs.next().context("nothing was read")?;
    let inputs: Vec<InputFile> = inputs.collect();
    let notes: Vec<&str> =
        common.tables.notes().iter().chain(&result.notes).map(String::as_str).collect();
    let comparison = compared(result);
    Ok(html::page(&Page {
        sheet: of_sheet,
        result,
        records,
        tubes: together,
        comparison: comparison.as_ref(),
        settings: &used,
        files: &given,
        inputs: &inputs,
        notes: &notes,
    })?)
}

/// Everything that was read, what for and where it is, the sheet first: the page names it, and nothing
/// of it may be overwritten.
fn inputs(
    args: &RunArgs,
    sheet: &Sheet,
    result: &BenchResult,
    common: &Common,
) -> Vec<(String, PathBuf)> {
    let mut all = vec![("sheet".to_string(), args.sheet.clone())];
    all.extend(common.profile.iter().map(|p| ("profile".into(), p.clone())));
    let frames = common.frame_files.iter();
    all.extend(frames.map(|f| ("dark, background or flat".into(), f.clone())));
    let i = &sheet.instrument;
    let of_instrument: [(&str, Vec<&PathBuf>); 6] = [
        (LAMP, i.lamps.iter().collect()),
        ("profile", i.profile.iter().collect()),
        ("dark", i.dark.iter().collect()),
        ("background", i.background.iter().collect()),
        ("flat", i.flat.iter().collect()),
        ("response", i.response.iter().collect()),
    ];
    for (role, files) in of_instrument {
        all.extend(files.into_iter().map(|f| (role.into(), sheet.path_of(f))));
    }
    let own = sheet.tubes.iter().map(|t| (&t.name, &t.dark));
    for (name, darks) in own.chain(sheet.lights.iter().map(|l| (&l.name, &l.dark))) {
        all.extend(darks.iter().map(|f| (format!("dark of {name}"), sheet.path_of(f))));
    }
    for item in &result.items {
        all.extend(item.files.iter().map(|f| (item.name.clone(), f.clone())));
    }
    all
}

fn write(files: &[(String, String)], folder: &Path, inputs: &[PathBuf]) -> anyhow::Result<()> {
    for (name, _) in files {
        check_target(&folder.join(name), inputs)?;
    }
    for (name, text) in files {
        save(&folder.join(name), text)?;
    }
    Ok(())
}

/// The tubes whose gases were looked for.
fn tubes(result: &BenchResult) -> Vec<(&str, &Examination)> {
    let of_tubes = result.items.iter().filter(|i| i.kind == ItemKind::Tube);
    of_tubes
        .filter_map(|i| Some((i.name.as_str(), i.outcome.as_ref().ok()?)))
        .filter(|(_, e)| e.gases.is_some())
        .collect()
}

/// The tubes of the sheet against each other; `None` with fewer than two.
fn together(result: &BenchResult) -> Option<TubeComparison> {
    compare_tubes(&tubes(result)).ok()
}

/// The lights of the sheet against each other; `None` with fewer than two.
fn compared(result: &BenchResult) -> Option<Comparison> {
    let list: Vec<Compared<'_>> = result
        .items
        .iter()
        .filter_map(|i| {
            Some(Compared {
                name: &i.name,
                report: i.source.as_ref()?,
                exposure_ms: i.exposure_ms,
                distance_mm: i.distance_mm,
            })
        })
        .collect();
    compare(&list)
}

/// What is printed.
fn text(
    result: &BenchResult,
    (rows, together): (&[SummaryRow], Option<&TubeComparison>),
    files: usize,
    args: &RunArgs,
    common: &Common,
) -> String {
    let style = &common.style;
    let mut out = report::terminal::summary(rows, style);
    if let Some(c) = together {
        out += &report::terminal::notes(
            "Tubes against each other",
            [report::terminal::tubes_in_words(c).as_str()],
            style,
        );
    }
    let lights: Vec<_> =
        result.items.iter().filter_map(|i| Some((i.name.as_str(), i.source.as_ref()?))).collect();
    if !lights.is_empty() {
        out += "\n";
        out += &report::terminal::sources(&lights, style);
    }
    if let Some(c) = compared(result) {
        out += "\n";
        out += &report::terminal::comparison(&c, style);
    }
    let circuits: Vec<_> =
        result.items.iter().filter_map(|i| Some((i.name.as_str(), i.circuit.as_ref()?))).collect();
    if !circuits.is_empty() {
        out += "\n";
        out += &report::terminal::circuits(&circuits, style);
    }
    let all = common.tables.notes().iter().chain(&result.notes).map(String::as_str);
    out += &report::terminal::notes("The bench", all, style);
    if style.notes {
        let lights = result.items.iter().any(|i| i.kind == ItemKind::Light);
        let probed = circuits.iter().any(|(_, c)| c.tube_voltage_v.is_some());
        // Ultraviolet and mercury where a recording shows them.
        let shown = result
            .items
            .iter()
            .filter_map(|i| i.outcome.as_ref().ok())
            .flat_map(|e| cautions::of_recording(&e.spectrum, &e.peaks, true));
        let mut list = cautions::TUBES.to_vec();
        list.extend(probed.then_some(cautions::PROBE));
        list.extend(shown);
        list.extend(lights.then_some(cautions::LAMPS).into_iter().flatten());
        let mut seen = std::collections::HashSet::new();
        let list: Vec<_> = list.into_iter().filter(|c| seen.insert(c.topic)).collect();
        out += &report::terminal::cautions(&list, style);
    }
    out += &format!("\n{files} files written to {}\n", args.out.display());
    out
}

/// One sentence on standard error for the lamp and for each item without an answer.
fn complaints(result: &BenchResult) -> Ending {
    let mut ending = Ending::Answered;
    if let Some(why) = &result.instrument.failure {
        complain(&anyhow!("the lamp could not set the axis: {why}"));
        ending = Ending::ItemFailed;
    }
    for item in &result.items {
        if let Err(why) = &item.outcome {
            let kind = match item.kind {
                ItemKind::Tube => "tube",
                ItemKind::Light => "light",
            };
            complain(&anyhow!("{kind} {}: {why}", item.name));
            ending = Ending::ItemFailed;
        }
    }
    ending
}
