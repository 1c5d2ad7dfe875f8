//! The library at work on the folder: what it says of each file.

use crate::index::{Entry, Own, Truth};
use crate::judge::{self, AxisOutcome, Judged, Said};
use glowtell::bench::{Settings, examine};
use glowtell::calibrate::{CalibrateSettings, Profile, calibrate};
use glowtell::import::{ImportSettings, read_bytes, read_file};
use glowtell::reference::Tables;
use glowtell::signal::{PeakSettings, find_peaks};
use glowtell::source::{self, Band};
use glowtell::{Result, Spectrum};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

/// All that came of one file.
pub struct Outcome {
    /// Its axis, where a truth is known.
    pub axis: Option<AxisOutcome>,
    /// How far the profile is off at the places of the truth between its outermost anchors.
    pub axis_inside: Option<AxisOutcome>,
    /// Mean correction of an nm axis at the anchors, for lamps.
    pub correction: Option<std::result::Result<f64, String>>,
    pub gases: Vec<Judged>,
    /// Its band, where the list has a peak.
    pub source: Option<std::result::Result<Band, String>>,
}

/// A folder with the profiles that its lamps give.
pub struct Lab {
    folder: PathBuf,
    tables: Tables,
    settings: Settings,
    /// Profile of each pixel recording that sets an axis, by itself.
    profiles: HashMap<String, std::result::Result<Profile, String>>,
    /// Files that are fluorescent lamps.
    fluorescent: HashSet<String>,
}

/// A profile from a recording, as the command makes it from whichever lamp it is.
fn profile_of(own: &Spectrum, tables: &Tables) -> Result<Profile> {
    let peaks = find_peaks(own, &PeakSettings::default())?;
    calibrate(own, &peaks, tables, &CalibrateSettings { lamp: None, ..Default::default() })
}

impl Lab {
    pub fn new(folder: &Path, entries: &[Entry]) -> Self {
        let tables = Tables::bundled().expect("the bundled tables can be read");
        let mut profiles = HashMap::new();
        for e in entries.iter().filter(|e| e.own == Own::Pixel) {
            // A lamp of the same instrument gives the axis; a recording without one has to give
            // its own, and so has a recording that is named as somebody's lamp.
            let lamp = e.calibrate_with.as_ref().unwrap_or(&e.file);
            profiles.entry(lamp.clone()).or_insert_with(|| {
                read_file(&folder.join(lamp), &ImportSettings::default())
                    .and_then(|own| profile_of(&own, &tables))
                    .map_err(|e| e.to_string())
            });
        }
        let lamps = entries.iter().filter(|e| e.kind == "cfl").map(|e| e.file.clone());
        Lab {
            folder: folder.into(),
            tables,
            settings: Settings::default(),
            profiles,
            fluorescent: lamps.collect(),
        }
    }

    /// The line tables.
    pub fn tables(&self) -> &Tables {
        &self.tables
    }

    /// True where the main gas of the file ought to be seen: gas tubes and mercury lamps on an
    /// axis in nm, or on pixels with a fluorescent lamp of the same instrument.
    pub fn main_counts(&self, entry: &Entry) -> bool {
        matches!(entry.kind.as_str(), "gas tube" | "hg")
            && (entry.own == Own::Nm
                || entry.calibrate_with.as_ref().is_some_and(|l| self.fluorescent.contains(l)))
    }

    /// The profile for a file on pixels, or why there is none.
    fn profile(&self, entry: &Entry) -> std::result::Result<&Profile, String> {
        let lamp = entry.calibrate_with.as_ref().unwrap_or(&entry.file);
        match self.profiles.get(lamp) {
            Some(Ok(p)) => Ok(p),
            Some(Err(why)) => Err(why.clone()),
            None => Err(format!("{lamp} gives no axis")),
        }
    }

    pub fn outcome(&self, entry: &Entry) -> Outcome {
        let path = self.folder.join(&entry.file);
        let own = read_file(&path, &ImportSettings::default()).map_err(|e| e.to_string());
        let (axis, axis_inside) = match self.axis(entry) {
            Some((all, inside)) => (Some(all), Some(inside)),
            None => (None, None),
        };
        let lamp = entry.own == Own::Nm && matches!(entry.kind.as_str(), "cfl" | "hg");
        Outcome {
            axis,
            axis_inside,
            correction: lamp.then(|| self.correction(&own)),
            gases: judge::gases(entry, &self.said(entry, &own)),
            source: entry.peak_nm.map(|_| {
                let own = own.as_ref().map_err(String::clone)?;
                source::band(own).map_err(|e| e.to_string())
            }),
        }
    }

    /// The axis against its truth: over all that counts, and between the outermost anchors.
    fn axis(&self, entry: &Entry) -> Option<(AxisOutcome, AxisOutcome)> {
        let blind;
        let profile = match &entry.truth {
            Truth::None => return None,
            Truth::Lines(_) => self.profile(entry),
            Truth::PerPixel { recording, name, .. } => {
                blind = read_bytes(recording, name, &ImportSettings::default())
                    .and_then(|own| profile_of(&own, &self.tables))
                    .map_err(|e| e.to_string());
                blind.as_ref().map_err(String::clone)
            }
        };
        let pairs = entry.truth.pairs();
        Some(match profile {
            Err(why) => (AxisOutcome::Refused(why.clone()), AxisOutcome::Refused(why)),
            Ok(p) => {
                let [lo, hi] = p.anchored_nm;
                let wavelength = |pixel: f64| p.wavelength(pixel).value;
                let inside = judge::axis_error(pairs, wavelength, |nm| nm >= lo && nm <= hi);
                let all = match entry.truth {
                    Truth::PerPixel { .. } => inside.clone(),
                    _ => judge::axis_error(pairs, wavelength, |_| true),
                };
                (all, inside)
            }
        })
    }

    /// Mean of what calibration adds to an nm axis at the anchors, nm.
    fn correction(
        &self,
        own: &std::result::Result<Spectrum, String>,
    ) -> std::result::Result<f64, String> {
        let own = own.as_ref().map_err(String::clone)?;
        let profile = profile_of(own, &self.tables).map_err(|e| e.to_string())?;
        let n = profile.anchors.len() as f64;
        Ok(profile.anchors.iter().map(|a| profile.wavelength(a.at).value - a.at).sum::<f64>() / n)
    }

    /// The gases of a file, or why nothing can be said.
    fn said(
        &self,
        entry: &Entry,
        own: &std::result::Result<Spectrum, String>,
    ) -> std::result::Result<Vec<Said>, String> {
        let own = own.as_ref().map_err(String::clone)?.clone();
        let profile = match entry.own {
            Own::Nm => None,
            Own::Pixel => Some(self.profile(entry)?),
        };
        self.gases(own, profile)
    }

    /// The gases of a recording on its way.
    pub fn gases(
        &self,
        own: Spectrum,
        profile: Option<&Profile>,
    ) -> std::result::Result<Vec<Said>, String> {
        let found =
            examine(own, profile, &self.tables, &self.settings).map_err(|e| e.to_string())?;
        let report = found.gases.ok_or("the library gave no report on gases")?;
        Ok(report
            .gases
            .into_iter()
            .map(|g| Said { gas: g.gas, verdict: g.verdict, reason: g.reason })
            .collect())
    }
}
