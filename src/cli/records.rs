//! Examinations as records: what is put where, nothing computed.

use super::settings::Common;
use glowtell::bench::{Examination, ItemKind, ItemResult, Settings};
use glowtell::calibrate::Profile;
use glowtell::report::cautions;
use glowtell::report::record::{PointsRecord, Record};
use std::path::{Path, PathBuf};

/// The record of an examination. `tables_digest` is that of the tables that were used.
pub fn answered(
    name: &str,
    e: &Examination,
    profile: Option<&Profile>,
    settings: &Settings,
    tables_digest: &str,
) -> anyhow::Result<Record> {
    let gases = e.gases.as_ref();
    let mut r = Record::answered(name, tables_digest, &e.spectrum, profile, &e.peaks, gases);
    r.settings.insert("peaks".into(), serde_json::to_value(&settings.peaks)?);
    if let Some(g) = gases {
        r.settings.insert("gases".into(), serde_json::to_value(&g.settings)?);
    }
    r.notes.clone_from(&e.notes);
    for c in cautions::of_recording(&e.spectrum, &e.peaks, true) {
        if !r.cautions.iter().any(|there| there.topic == c.topic) {
            r.cautions.push((&c).into());
        }
    }
    Ok(r)
}

/// The record of a bench's item, with the recording itself. `files` are all that were read.
pub fn item(
    item: &ItemResult,
    profile: Option<&Profile>,
    settings: &Settings,
    common: &Common,
    tables_digest: &str,
    (files, keep_header_lines): (&[PathBuf], bool),
) -> anyhow::Result<Record> {
    let mut r = match &item.outcome {
        Ok(e) => {
            let mut r = answered(&item.name, e, profile, settings, tables_digest)?;
            r.settings.insert("import".into(), serde_json::to_value(&common.import)?);
            r.points = Some(PointsRecord::new(&e.spectrum, &e.peaks));
            r
        }
        Err(why) => Record::failed(&item.name, tables_digest, why),
    };
    if let Some(input) = &mut r.input
        && item.files.len() > 1
    {
        let names: Vec<String> = item.files.iter().map(|f| file_name(f)).collect();
        input.file = Some(names.join(", "));
    }
    r.known.extend(item.told.iter().cloned());
    r.circuit.clone_from(&item.circuit);
    if item.circuit.as_ref().is_some_and(|c| c.tube_voltage_v.is_some()) {
        r.cautions.push((&cautions::PROBE).into());
    }
    if item.kind == ItemKind::Light {
        r.cautions = match &item.source {
            Some(s) => cautions::of_source(s).iter().map(Into::into).collect(),
            None => cautions::LAMPS.iter().map(Into::into).collect(),
        };
        r.source.clone_from(&item.source);
    }
    r.for_sharing(files, keep_header_lines);
    Ok(r)
}

/// The last part of a path.
fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}
