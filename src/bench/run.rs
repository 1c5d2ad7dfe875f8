//! The whole drawer in one go.

use super::circuit::{Circuit, Told, circuit};
use super::examine::{Examination, Settings, check_asked, examine};
use super::frames::Frames;
use super::merge::merge;
use super::names::file_names;
use super::repeats::average;
use super::sheet::Sheet;
use crate::calibrate::{CalibrateSettings, LampRecording, Profile, calibrate_together};
use crate::import::{ImportSettings, read_file};
use crate::reference::{LightTables, Tables};
use crate::signal::{PeakList, find_peaks};
use crate::source::{Response, ResponseKnown, SourceReport, SourceSettings, check_claims, measure};
use crate::{Error, Result, Spectrum};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Choices for [`run`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct RunSettings {
    /// How files are read; what the sheet says about columns and encoding goes first.
    pub import: ImportSettings,
    /// How the lamp sets the axis; what the sheet says of instrument, lamp and optics goes first.
    pub calibrate: CalibrateSettings,
    /// How each item is examined.
    pub examine: Settings,
    /// How lights are measured; what the sheet says of response and claims goes first.
    pub source: SourceSettings,
    /// A saved profile that sets the axis instead of what the sheet names.
    pub profile: Option<PathBuf>,
    /// Dark, background and flat for every recording, each instead of what the sheet names.
    #[serde(skip)]
    pub frames: Frames,
}

/// How far [`run`] has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress<'a> {
    /// Items done.
    pub done: usize,
    /// Items in all.
    pub of: usize,
    /// Name of the item just done.
    pub name: &'a str,
}

/// What stands on a bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ItemKind {
    /// A discharge tube.
    Tube,
    /// A light source.
    Light,
}

/// The lamp's recording, examined.
#[derive(Debug, Clone)]
pub struct LampResult {
    /// The recording as it was read.
    pub read: Spectrum,
    /// The recording on the axis that it set (on its own axis where it could not set one).
    pub spectrum: Spectrum,
    /// Its lines, on the same axis as the recording.
    pub peaks: PeakList,
}

/// The instrument of a bench.
#[derive(Debug)]
pub struct InstrumentResult {
    /// What it is called.
    pub name: String,
    /// The profile that set the axis of all items; `None`: every file's own axis stood.
    pub profile: Option<Profile>,
    /// The recordings of the lamp or lamps, in the order of the sheet; empty where it names none or
    /// one of them could not be read.
    pub lamps: Vec<LampResult>,
    /// Why the lamp could not set the axis.
    pub failure: Option<Error>,
}

/// One item of a bench.
#[derive(Debug)]
pub struct ItemResult {
    /// Its name in the sheet.
    pub name: String,
    /// A safe file name for it, without extension, different from that of all other items.
    pub file_name: String,
    /// Tube or light.
    pub kind: ItemKind,
    /// The recordings read, as paths from the working folder.
    pub files: Vec<PathBuf>,
    /// What the sheet says about it, as key and value, in the order of the sheet's format.
    pub told: Vec<(String, String)>,
    /// Voltages and currents of its circuit, where the sheet tells what they follow from.
    pub circuit: Option<Circuit>,
    /// What was found out, or why nothing could be.
    pub outcome: Result<Examination>,
    /// For a light: what it emits.
    pub source: Option<SourceReport>,
    /// Exposure, ms, where the sheet tells it.
    pub exposure_ms: Option<f64>,
    /// Distance from the light, mm, where the sheet tells it.
    pub distance_mm: Option<f64>,
}

/// A bench examined.
#[derive(Debug)]
pub struct BenchResult {
    /// The instrument and its axis.
    pub instrument: InstrumentResult,
    /// The items in the order of the sheet, tubes before lights.
    pub items: Vec<ItemResult>,
    /// What to beware of for the whole bench, one sentence each.
    pub notes: Vec<String>,
}

/// Examines everything on the sheet. An item that cannot be read or examined carries its error and
/// does not stop the others; a lamp that cannot set the axis leaves every file's own axis in
/// place and is reported in [`InstrumentResult::failure`].
///
/// # Errors
/// Those of [`Profile::load`] for a profile that is named and cannot be used, and
/// [`Error::Usage`] for a species, or a lamp, that the tables do not have.
pub fn run(
    sheet: &Sheet,
    tables: &Tables,
    settings: &RunSettings,
    progress: &(dyn Fn(Progress<'_>) + Sync),
) -> Result<BenchResult> {
    check_asked(&settings.examine.gases.ask, tables)?;
    sheet.lights.iter().try_for_each(|l| check_claims(&l.claims))?;
    let mut import = settings.import.clone();
    if sheet.instrument.columns.is_some() {
        import.columns.clone_from(&sheet.instrument.columns);
    }
    if sheet.instrument.encoding.is_some() {
        import.encoding.clone_from(&sheet.instrument.encoding);
    }
    let mut notes = Vec::new();
    let frames = frames(sheet, settings, &import)?;
    let reading = (&import, &frames);
    let instrument = set_axis(sheet, tables, settings, reading, &mut notes)?;
    let plans = plans(sheet);
    let light = LightTables::bundled()?;
    let around = Around {
        profile: instrument.profile.as_ref(),
        reading,
        light: &light,
        source: source_settings(sheet, settings)?,
    };
    let done = AtomicUsize::new(0);
    let items = plans
        .into_par_iter()
        .map(|plan| {
            let item = examine_item(plan, &around, tables, settings);
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            progress(Progress {
                done,
                of: sheet.tubes.len() + sheet.lights.len(),
                name: &item.name,
            });
            item
        })
        .collect();
    Ok(BenchResult { instrument, items, notes })
}

/// Dark, background and flat from the settings, else from the sheet.
fn frames(sheet: &Sheet, settings: &RunSettings, import: &ImportSettings) -> Result<Frames> {
    let read = |given: &[Spectrum], named: &[PathBuf]| -> Result<Vec<Spectrum>> {
        if !given.is_empty() {
            return Ok(given.to_vec());
        }
        named.iter().map(|f| read_file(&sheet.path_of(f), import)).collect()
    };
    let (given, named) = (&settings.frames, &sheet.instrument);
    Ok(Frames {
        darks: read(&given.darks, &named.dark)?,
        backgrounds: read(&given.backgrounds, &named.background)?,
        flats: read(&given.flats, &named.flat)?,
    })
}

/// How files are read, and what is taken off them.
type Reading<'a> = (&'a ImportSettings, &'a Frames);

/// How lights are measured: what the sheet says of the response, else what the settings say.
fn source_settings(sheet: &Sheet, settings: &RunSettings) -> Result<SourceSettings> {
    let mut out = settings.source.clone();
    out.factory_axis_u_nm = settings.examine.gases.factory_axis_u_nm;
    if let Some(file) = &sheet.instrument.response {
        out.response = load_response(&sheet.path_of(file))?;
    }
    Ok(out)
}

/// A response curve from a file: wavelength in nm, relative response.
///
/// # Errors
/// Those of [`read_file`] and [`Response::from_table`].
pub fn load_curve(path: &Path) -> Result<Response> {
    // The habits of the recordings' files need not be those of the curve's.
    Response::from_table(&read_file(path, &ImportSettings::default())?)
}

/// The same as what lights are measured with.
///
/// # Errors
/// Those of [`load_curve`].
pub fn load_response(path: &Path) -> Result<ResponseKnown> {
    Ok(ResponseKnown::Curve(load_curve(path)?))
}

/// Profile from the settings, else from the sheet, else from the sheet's lamp.
fn set_axis(
    sheet: &Sheet,
    tables: &Tables,
    settings: &RunSettings,
    reading: Reading<'_>,
    notes: &mut Vec<String>,
) -> Result<InstrumentResult> {
    let named = sheet.instrument.name.clone();
    let saved = match (&settings.profile, &sheet.instrument.profile) {
        (Some(p), _) => Some(p.clone()),
        (None, Some(p)) => Some(sheet.path_of(p)),
        (None, None) => None,
    };
    if let Some(path) = saved {
        let profile = Profile::load(&path)?;
        if !sheet.instrument.lamps.is_empty() {
            notes.push("the axis is set by the saved profile; the sheet's lamp is not read".into());
        }
        return Ok(InstrumentResult {
            name: named.unwrap_or_else(|| profile.instrument.clone()),
            profile: Some(profile),
            lamps: Vec::new(),
            failure: None,
        });
    }
    let name = named.unwrap_or_else(|| settings.calibrate.instrument.clone());
    if sheet.instrument.lamps.is_empty() {
        notes.push(
            "the sheet names no lamp and no profile: every file's own axis is taken as it stands"
                .into(),
        );
        return Ok(InstrumentResult { name, profile: None, lamps: Vec::new(), failure: None });
    }
    let (lamps, profile) = set_by_lamps(sheet, tables, settings, reading)?;
    let (profile, failure) = match profile {
        Ok(p) => (Some(p), None),
        Err(e) => {
            notes.push(
                "the lamp could not set the axis: files with an axis in nm keep their own, with \
                 its unknown error"
                    .into(),
            );
            (None, Some(e))
        }
    };
    Ok(InstrumentResult { name, profile, lamps, failure })
}

fn set_by_lamps(
    sheet: &Sheet,
    tables: &Tables,
    settings: &RunSettings,
    (import, frames): Reading<'_>,
) -> Result<(Vec<LampResult>, Result<Profile>)> {
    let calibrate_settings = sheet.instrument.calibrate_settings(&settings.calibrate, tables)?;
    let own: Result<Vec<(Spectrum, PeakList)>> = sheet
        .instrument
        .lamps
        .iter()
        .map(|file| {
            let s = frames.apply(&read_file(&sheet.path_of(file), import)?)?;
            let peaks = find_peaks(&s, &settings.examine.peaks)?;
            Ok((s, peaks))
        })
        .collect();
    let own = match own {
        Ok(own) => own,
        Err(e) => return Ok((Vec::new(), Err(e))),
    };
    let recordings: Vec<LampRecording> =
        own.iter().map(|(spectrum, peaks)| LampRecording { spectrum, peaks }).collect();
    let profile = calibrate_together(&recordings, tables, &calibrate_settings);
    let lines = Settings { identify: false, ..settings.examine.clone() };
    let lamps = own
        .into_iter()
        .map(|(read, peaks)| {
            let set = profile
                .as_ref()
                .ok()
                .and_then(|p| examine(read.clone(), Some(p), tables, &lines).ok());
            match set {
                Some(e) => LampResult { read, spectrum: e.spectrum, peaks: e.peaks },
                None => LampResult { spectrum: read.clone(), read, peaks },
            }
        })
        .collect();
    Ok((lamps, profile))
}

/// One item before it is read.
struct Plan {
    name: String,
    file_name: String,
    kind: ItemKind,
    files: Vec<PathBuf>,
    /// The files are different exposures rather than repeats.
    exposures: bool,
    /// Its own darks.
    dark: Vec<PathBuf>,
    told: Vec<(String, String)>,
    circuit: Option<Circuit>,
    claims: Vec<String>,
    exposure_ms: Option<f64>,
    distance_mm: Option<f64>,
}

fn plans(sheet: &Sheet) -> Vec<Plan> {
    let mut out = Vec::new();
    for t in &sheet.tubes {
        out.push(Plan {
            name: t.name.clone(),
            file_name: String::new(),
            kind: ItemKind::Tube,
            files: paths(sheet, &t.file, &[&t.files[..], &t.exposures[..]].concat()),
            exposures: !t.exposures.is_empty(),
            dark: paths(sheet, &None, &t.dark),
            told: told(&[
                ("type", t.kind.clone()),
                ("maker", t.maker.clone()),
                ("supply-voltage-v", t.supply_voltage_v.map(|v| v.to_string())),
                ("series-resistor-ohm", t.series_resistor_ohm.map(|v| v.to_string())),
                ("exposure-ms", t.exposure_ms.map(|v| v.to_string())),
                ("remarks", t.remarks.clone()),
            ]),
            circuit: circuit(Told {
                probe: &sheet.probe,
                supply_v: t.supply_voltage_v,
                resistor_ohm: t.series_resistor_ohm,
                facts: &t.circuit,
            }),
            claims: Vec::new(),
            exposure_ms: t.exposure_ms,
            distance_mm: None,
        });
    }
    for l in &sheet.lights {
        out.push(Plan {
            name: l.name.clone(),
            file_name: String::new(),
            kind: ItemKind::Light,
            files: paths(sheet, &l.file, &[&l.files[..], &l.exposures[..]].concat()),
            exposures: !l.exposures.is_empty(),
            dark: paths(sheet, &None, &l.dark),
            told: told(&[
                ("type", l.kind.clone()),
                ("maker", l.maker.clone()),
                ("exposure-ms", l.exposure_ms.map(|v| v.to_string())),
                ("distance-mm", l.distance_mm.map(|v| v.to_string())),
                ("claim", (!l.claims.is_empty()).then(|| l.claims.join("; "))),
                ("remarks", l.remarks.clone()),
            ]),
            circuit: None,
            claims: l.claims.clone(),
            exposure_ms: l.exposure_ms,
            distance_mm: l.distance_mm,
        });
    }
    let names: Vec<&str> = out.iter().map(|p| p.name.as_str()).collect();
    let files = file_names(&names);
    for (plan, file_name) in out.iter_mut().zip(files) {
        plan.file_name = file_name;
    }
    out
}

fn paths(sheet: &Sheet, file: &Option<PathBuf>, files: &[PathBuf]) -> Vec<PathBuf> {
    file.iter().chain(files).map(|f| sheet.path_of(f)).collect()
}

fn told(pairs: &[(&str, Option<String>)]) -> Vec<(String, String)> {
    pairs.iter().filter_map(|(k, v)| Some((k.to_string(), v.clone()?))).collect()
}

/// An item's recordings as one, without dark and background.
fn recording(plan: &Plan, (import, frames): Reading<'_>) -> Result<Spectrum> {
    let read = |files: &[PathBuf]| -> Result<Vec<Spectrum>> {
        files.iter().map(|f| read_file(f, import)).collect()
    };
    let mut list = read(&plan.files)?;
    let own = match plan.dark.is_empty() {
        true => None,
        false => Some(Frames { darks: read(&plan.dark)?, ..frames.clone() }),
    };
    let frames = own.as_ref().unwrap_or(frames);
    if plan.exposures {
        // Each exposure has its own dark; what the sheet tells of the item is not theirs.
        let list = list.iter().map(|s| frames.apply(s)).collect::<Result<Vec<_>>>()?;
        let mut merged = merge(&list)?;
        merged.provenance.metadata.extend(plan.told.iter().cloned());
        return Ok(merged);
    }
    for s in &mut list {
        s.provenance.metadata.extend(plan.told.iter().cloned());
    }
    frames.apply(&average(&list)?)
}

/// What all items of a bench share.
struct Around<'a> {
    profile: Option<&'a Profile>,
    reading: Reading<'a>,
    light: &'a LightTables,
    source: SourceSettings,
}

fn examine_item(
    plan: Plan,
    around: &Around<'_>,
    tables: &Tables,
    settings: &RunSettings,
) -> ItemResult {
    let mut outcome = recording(&plan, around.reading).and_then(|mut s| {
        s.provenance.name.clone_from(&plan.name);
        examine(s, around.profile, tables, &settings.examine)
    });
    let mut source = None;
    if let (ItemKind::Light, Ok(e)) = (plan.kind, &mut outcome) {
        let wanted = SourceSettings { claims: plan.claims, ..around.source.clone() };
        match measure(&e.spectrum, &e.peaks, tables, around.light, &wanted) {
            Ok(r) => source = Some(r),
            Err(why) => e.notes.push(format!("the light was not measured: {why}")),
        }
    }
    ItemResult {
        name: plan.name,
        file_name: plan.file_name,
        kind: plan.kind,
        files: plan.files,
        told: plan.told,
        circuit: plan.circuit,
        outcome,
        source,
        exposure_ms: plan.exposure_ms,
        distance_mm: plan.distance_mm,
    }
}
