//! A record read back by types that know nothing of the writer's.

use super::*;
use crate::Measured;
use crate::report::made_up::{NEON, clipped, list, profile, recording, report};
use serde::Deserialize;

/// What somebody else's program would declare from the documentation alone.
#[derive(Debug, Deserialize)]
struct Theirs {
    format: String,
    schema_version: u32,
    program_version: String,
    tables_digest: String,
    item: String,
    status: String,
    error: Option<String>,
    input: Option<TheirInput>,
    known: std::collections::HashMap<String, String>,
    instrument: Option<TheirInstrument>,
    settings: serde_json::Value,
    peaks: Option<TheirPeaks>,
    gases: Option<TheirGases>,
    summary: TheirSummary,
    cautions: Vec<serde_json::Value>,
    points: Option<TheirPoints>,
}

#[derive(Debug, Deserialize)]
struct TheirInput {
    name: String,
    file: Option<String>,
    sha256: Option<String>,
    points: usize,
    axis: String,
    axis_from: f64,
    axis_to: f64,
    metadata: Vec<[String; 2]>,
}

#[derive(Debug, Deserialize)]
struct TheirInstrument {
    name: String,
    anchored_nm: [f64; 2],
    rms_nm: f64,
    axis_u_nm: Vec<TheirSample>,
}

#[derive(Debug, Deserialize)]
struct TheirSample {
    wavelength_nm: f64,
    u_nm: f64,
    extrapolated: bool,
}

#[derive(Debug, Deserialize)]
struct TheirPeaks {
    axis: String,
    list: Vec<TheirPeak>,
}

#[derive(Debug, Deserialize)]
struct TheirPeak {
    centre: TheirMeasured,
    height: Option<TheirMeasured>,
    clipped: bool,
}

#[derive(Debug, Deserialize)]
struct TheirMeasured {
    value: Option<f64>,
    u: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct TheirGases {
    gases: Vec<TheirGas>,
    species: Vec<TheirSpecies>,
    assignments: Vec<TheirAssignment>,
    unexplained: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct TheirGas {
    gas: String,
    verdict: String,
    probability: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct TheirSpecies {
    species: String,
    lines_for: Vec<serde_json::Value>,
}

#[derive(Debug, Deserialize)]
struct TheirAssignment {
    peak: usize,
    label: Option<String>,
}

#[derive(Debug, Deserialize)]
struct TheirSummary {
    seen: Vec<String>,
    not_seen: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct TheirPoints {
    x: Vec<f64>,
    counts: Vec<Option<f64>>,
}

fn answered() -> Record {
    let mut s = recording(AxisKind::Nm, 380.0, 1000.0, 300, &NEON);
    s.provenance.path = Some("drawer/tube-1.csv".into());
    s.provenance.sha256 = Some("ab".repeat(32));
    s.provenance.metadata.push(("Integration".into(), "100 ms".into()));
    s.flag(5, crate::Mask::DEAD);
    let mut l = list(&s, &NEON);
    clipped(&mut l);
    l.peaks[0].centre = Measured::new(585.2500000000001, f64::NAN);
    let g = report(&l);
    let mut r = Record::answered("tube 1", "cd".repeat(32), &s, Some(&profile()), &l, Some(&g));
    r.known.insert("type".into(), "glow lamp".into());
    r.settings.insert("gases".into(), serde_json::to_value(&g.settings).unwrap());
    r.points = Some(PointsRecord::new(&s, &l));
    r
}

#[test]
fn somebody_else_reads_it() {
    let theirs: Theirs = serde_json::from_str(&answered().to_json().unwrap()).unwrap();
    assert_eq!((theirs.format.as_str(), theirs.schema_version), ("glowtell-record", 3));
    assert_eq!(theirs.program_version, env!("CARGO_PKG_VERSION"));
    assert_eq!(theirs.tables_digest.len(), 64);
    assert_eq!((theirs.item.as_str(), theirs.status.as_str()), ("tube 1", "answered"));
    assert!(theirs.error.is_none());
    let input = theirs.input.unwrap();
    assert_eq!(input.name, "made-up tube");
    assert_eq!(input.file.as_deref(), Some("drawer/tube-1.csv"));
    assert_eq!(input.sha256.unwrap().len(), 64);
    assert_eq!((input.points, input.axis.as_str()), (300, "nm"));
    assert_eq!((input.axis_from, input.axis_to), (380.0, 1000.0));
    assert_eq!(input.metadata, [["Integration".to_string(), "100 ms".to_string()]]);
    assert_eq!(theirs.known["type"], "glow lamp");
    let instrument = theirs.instrument.unwrap();
    assert_eq!(instrument.name, "club spectrometer");
    assert_eq!(instrument.anchored_nm, [404.66, 579.07]);
    assert_eq!(instrument.rms_nm, 0.027);
    let far = instrument.axis_u_nm.last().unwrap();
    assert!(far.wavelength_nm > 700.0 && far.extrapolated && far.u_nm > 0.2, "{far:?}");
    assert_eq!(theirs.settings["gases"]["decoys"], 40);
    let peaks = theirs.peaks.unwrap();
    assert_eq!((peaks.axis.as_str(), peaks.list.len()), ("nm", NEON.len()));
    assert_eq!(peaks.list[0].centre.value, Some(585.25));
    assert!(peaks.list[0].centre.u.is_none());
    let top = &peaks.list[9];
    assert!(top.clipped && top.height.is_none());
    let gases = theirs.gases.unwrap();
    assert_eq!(gases.gases[0].gas, "Ne");
    assert_eq!(gases.gases[3].verdict, "not-seen");
    assert_eq!(gases.gases[1].probability, Some(0.93));
    assert_eq!(gases.species[0].species, "Ne I");
    assert_eq!(gases.species[0].lines_for.len(), NEON.len());
    assert_eq!((gases.assignments[6].peak, &gases.assignments[6].label), (6, &None));
    assert_eq!(gases.unexplained, Some(0.021));
    assert_eq!(theirs.summary.seen, ["Ne"]);
    assert_eq!(theirs.summary.not_seen, ["Ar", "He"]);
    assert!(theirs.cautions.len() >= 2);
    let points = theirs.points.unwrap();
    assert_eq!(points.x.len(), 300);
    assert!(points.counts[5].is_none() && points.counts[6].is_some());
}

#[test]
fn our_own_reader_gives_the_same_record_and_bytes() {
    let text = answered().to_json().unwrap();
    let back = Record::from_json(&text, Path::new("r.json")).unwrap();
    assert_eq!(back.to_json().unwrap(), text);
    let with_more = text.replacen('{', "{\"new_field\": 1,", 1);
    assert!(Record::from_json(&with_more, Path::new("r.json")).is_ok(), "the list may grow");
}

#[test]
fn a_failed_item_says_why() {
    let why = Error::input("tube.csv", Some(3), "has no numbers", "export it again");
    let r = Record::failed("tube 2", "", &why);
    let theirs: Theirs = serde_json::from_str(&r.to_json().unwrap()).unwrap();
    assert_eq!(theirs.status, "failed");
    assert!(theirs.error.unwrap().contains("line 3") && theirs.gases.is_none());
    let row = SummaryRow::from(&r);
    assert!(row.failed && row.remarks[0].contains("tube.csv"));
}

#[test]
fn foreign_and_newer_files_are_refused_with_a_reason() {
    let read = |t: &str| Record::from_json(t, Path::new("x.json")).unwrap_err().to_string();
    assert!(read("{\"format\": \"other\"}").contains("format 'other'"));
    assert!(read("{\"format\": \"glowtell-record\", \"schema_version\": 4}").contains("version 4"));
    assert!(read("{").contains("x.json"));
}

#[test]
fn a_row_of_the_drawer() {
    let row = SummaryRow::from(&answered());
    assert_eq!(row.seen, ["Ne"]);
    assert_eq!(row.likely, ["Hg"]);
    assert_eq!((row.undecided, row.failed), (1, false));
    assert_eq!(row.axis, "± 0.21 nm");
}
